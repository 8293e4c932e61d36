"""How the eyes turn when a semicircular canal is stimulated: published axes of the human canals.

Axes: Della Santina et al., J Assoc Res Otolaryngol 2005;6:191-206, table 1A (PMC2504595, table read): mean
unit normals of 22 people in Reid's frame, x forward, y toward the patient's left, z up. Turning the head
about the axis (right hand) excites the canal; the eyes turn about it the other way (Ewald's first law).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from capture.samples import Eye

Canal = Literal["anterior", "horizontal", "posterior"]
CANALS: tuple[Canal, Canal, Canal] = ("anterior", "horizontal", "posterior")
Triple = tuple[float, float, float]

# The table lists the right canals' axes pointing backward, about which turning inhibits: here reversed.
EXCITING_AXES: dict[tuple[Eye, Canal], Triple] = {
    ("left", "anterior"): (-0.58954, 0.78750, -0.17971),
    ("left", "horizontal"): (-0.31645, -0.04108, 0.94772),
    ("left", "posterior"): (-0.69611, -0.66820, -0.26257),
    ("right", "anterior"): (0.58905, 0.78928, 0.17334),
    ("right", "horizontal"): (0.32891, -0.03566, -0.94369),
    ("right", "posterior"): (0.69248, -0.66561, 0.27826),
}
TORSIONAL_GAIN = 0.5  # of the eyes' answer about the line of sight, vertical and horizontal 1 (from memory)
# The vertical canals' share in the tone that is lost with a labyrinth; horizontal 1 (chosen so that the
# nystagmus is mostly horizontal, as descriptions of acute loss have it).
VERTICAL_TONE = 0.6
TONE: dict[Canal, float] = {"anterior": VERTICAL_TONE, "horizontal": 1.0, "posterior": VERTICAL_TONE}


def slow_phase(stimulated: Mapping[tuple[Eye, Canal], float]) -> Triple:
    """Slow-phase velocity (horizontal, vertical, torsional; the one sign rule) of stimulated canals.

    `stimulated`: strength of each canal, positive excites, negative inhibits; the unit is that of the answer.

    >>> [round(v, 2) for v in slow_phase({("right", "posterior"): 10.0})]
    [2.78, -6.66, -3.46]
    """
    x, y, z = (
        sum(strength * EXCITING_AXES[canal][k] for canal, strength in stimulated.items()) for k in range(3)
    )
    # The eye turns about (-x, -y, -z); right is about -z, up about -y, upper pole to the right about +x.
    return z, y, -TORSIONAL_GAIN * x


def with_peak(direction: Triple, peak_dps: float) -> Triple:
    """The same direction, `peak_dps` on its fastest axis.

    Raises ValueError for a direction of no length.
    """
    fastest = max(map(abs, direction))
    if not fastest > 0:
        raise ValueError(f"direction must have a length, got {direction}")
    h, v, t = (peak_dps * share / fastest for share in direction)
    return h, v, t


def loss_of(side: Eye) -> Triple:
    """Direction of the slow phase when the tone of all canals of one side is lost."""
    return slow_phase({(side, canal): -TONE[canal] for canal in CANALS})
