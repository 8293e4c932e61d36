"""The eye of an invented patient: sizes, axes and brightness, drawn from published ranges by a seed.

The eye is a corneal sphere that refracts, a flat iris with a round pupil behind it, and a scleral sphere,
all turning about one fixed centre. Its own frame has the origin at that centre, z along the optical axis
(forward), x toward the patient's left and y up. The head's frame has the same axes when the optical axis
points straight ahead.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from capture.samples import Eye


@dataclass(frozen=True, slots=True)
class SimulatedEye:
    """One eye. Lengths in mm along the optical axis from the centre of rotation unless stated.

    `refractive_index` 1.3375 is the keratometric index: one surface with the power of the whole cornea
    (Javal's convention, from memory).
    """

    eye: Eye
    apex_mm: float  # centre of rotation to the front of the cornea
    cornea_radius_mm: float
    pupil_depth_mm: float  # front of the cornea to the plane of the pupil
    iris_radius_mm: float  # from the optical axis to the limbus
    sclera_radius_mm: float
    kappa_temporal_deg: float  # optical axis toward the temple of the line of sight
    kappa_up_deg: float  # optical axis above the line of sight
    pupil_nasal_mm: float  # centre of a 3.5 mm pupil off the axis
    pupil_up_mm: float
    pupil_shift_per_mm: tuple[float, float]  # nasal, up: mm of shift for each mm of dilation beyond 3.5 mm
    pupil_dark_mm: float  # diameter in darkness
    pupil_light_mm: float  # diameter in room light
    lid_upper_deg: float  # margin of the upper lid above straight ahead, seen from the eye's centre
    lid_lower_deg: float  # margin of the lower lid (negative)
    fissure_mm: float  # width between the corners of the lids
    iris_reflectance: float  # share of the infrared light sent back, white paper = 1
    skin_reflectance: float
    sclera_reflectance: float
    pupil_reflectance: float
    iris_contrast: float  # standard deviation of the iris pattern over its mean
    lash_density: float  # 1 is usual
    texture_seed: int
    refractive_index: float = 1.3375

    @property
    def cornea_centre_mm(self) -> float:
        """Where the centre of the corneal sphere lies."""
        return self.apex_mm - self.cornea_radius_mm

    @property
    def pupil_plane_mm(self) -> float:
        """Where the plane of iris and pupil lies."""
        return self.apex_mm - self.pupil_depth_mm

    @property
    def limbus_mm(self) -> float:
        """Where the corneal sphere meets the sclera."""
        return self.cornea_centre_mm + sqrt(self.cornea_radius_mm**2 - self.iris_radius_mm**2)

    @property
    def sclera_centre_mm(self) -> float:
        """Where the centre of the scleral sphere lies, so that both spheres meet at the limbus."""
        return self.limbus_mm - sqrt(self.sclera_radius_mm**2 - self.iris_radius_mm**2)

    @property
    def nasal_sign(self) -> float:
        """+1 where the nose lies toward +x (right eye), else -1."""
        return 1.0 if self.eye == "right" else -1.0

    def pupil_centre_mm(self, pupil_mm: float) -> tuple[float, float]:
        """Centre of a pupil of this diameter in the plane of the iris: x, y from the optical axis."""
        wider_mm = pupil_mm - 3.5
        nasal = self.pupil_nasal_mm + self.pupil_shift_per_mm[0] * wider_mm
        up = self.pupil_up_mm + self.pupil_shift_per_mm[1] * wider_mm
        limit_mm = 0.8 * max(self.iris_radius_mm - pupil_mm / 2, 0.1)
        shrink = min(1.0, limit_mm / max(hypot(nasal, up), 1e-9))
        return self.nasal_sign * nasal * shrink, up * shrink


def draw_eye(seed: int, eye: Eye) -> SimulatedEye:
    """One eye of the patient with this seed; both eyes of a patient are alike, not equal.

    Means and spreads (standard deviation unless called a range):

    - centre of rotation 15.3 (SD 1.5) mm behind the corneal apex horizontally, 12.5 (1.4) vertically
      (Ophthalmic Physiol Opt 2022;42:376-383, as quoted in the clinical reference, section 3.4): one
      centre between the two, 13.9 (0.8), kept within 12.2 to 15.6
    - corneal radius 7.8 (0.26) mm; anterior chamber 3.6 (0.25) mm from the front of the cornea
      (schematic eyes of Gullstrand and of Atchison & Smith, and usual biometry; from memory)
    - visible iris 11.7 (0.4) mm wide (Ruefer et al., Cornea 2005;24:259; from memory)
    - kappa 5 (1.5) deg temporal, 1.5 (1) deg downward (Atchison & Smith 2000; from memory)
    - pupil's centre 0.15 mm nasal (0.1), shifting by up to 0.05 mm per mm of dilation (Yang et al.,
      Invest Ophthalmol Vis Sci 2002;43:2508; from memory)
    - dark pupil 4.5 to 7.5 mm, light 2.6 to 4.2 mm (Watson & Yellott, J Vis 2012;12(10):12; from memory)
    - lids: fissure 30 (1.5) mm wide, margins about 4 mm above and 5.2 mm below the pupil (from memory)
    - reflectances near 850 nm: chosen by eye so that the pictures look like infrared pictures
    """
    shared = np.random.default_rng([seed, 71])
    own = np.random.default_rng([seed, 72 if eye == "right" else 73])

    def vary(mean: float, spread: float) -> float:
        """Normal within two spreads; nine tenths of the variance is common to both eyes."""
        both = 0.95 * shared.standard_normal() + 0.31 * own.standard_normal()
        return float(mean + spread * np.clip(both, -2, 2))

    radius_mm = vary(7.8, 0.26)
    return SimulatedEye(
        eye=eye,
        apex_mm=vary(13.9, 0.8),
        cornea_radius_mm=radius_mm,
        pupil_depth_mm=vary(3.6, 0.25),
        iris_radius_mm=vary(5.85, 0.2),
        sclera_radius_mm=vary(12.0, 0.4),
        kappa_temporal_deg=vary(5.0, 1.5),
        kappa_up_deg=vary(-1.5, 1.0),
        pupil_nasal_mm=vary(0.15, 0.1),
        pupil_up_mm=vary(0.05, 0.1),
        pupil_shift_per_mm=(vary(0.0, 0.025), vary(0.0, 0.025)),
        pupil_dark_mm=vary(6.0, 0.75),
        pupil_light_mm=vary(3.4, 0.4),
        lid_upper_deg=vary(19.0, 2.0),
        lid_lower_deg=vary(-24.0, 1.5),
        fissure_mm=vary(30.0, 1.5),
        iris_reflectance=vary(0.38, 0.06),
        skin_reflectance=vary(0.60, 0.05),
        sclera_reflectance=vary(0.66, 0.04),
        pupil_reflectance=vary(0.06, 0.012),
        iris_contrast=vary(0.17, 0.035),
        lash_density=vary(1.0, 0.25),
        texture_seed=int(own.integers(2**31)),
    )
