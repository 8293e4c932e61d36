"""Traces of pupil and reflection, without pictures: goggles slip, the pupil changes its size.

The optics are the simulation's (refraction at the cornea, law of reflection); the movements are drawn here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from capture.samples import SAMPLE_DTYPE, Target
from capture.simulation import optics
from capture.simulation.anatomy import SimulatedEye
from capture.simulation.camera import Camera

Floats = NDArray[np.float64]
FIVE = ((0.0, 0.0), (10.0, 0.0), (-10.0, 0.0), (0.0, 10.0), (0.0, -10.0))
HOLD_S = 1.5
LAMP_MM = (9.0, -7.0, 4.0)  # right of the lens, down, toward the eye


@dataclass(frozen=True)
class SlipAt:
    """The goggles move: when, how far along the head's axes (mm) and how they turn (deg)."""

    start_s: float
    shift_mm: tuple[float, float, float]
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    lasts_s: float = 0.3


def targets() -> tuple[Target, ...]:
    """Five looks from the start."""
    return tuple(Target(k * HOLD_S, (k + 1) * HOLD_S, *place) for k, place in enumerate(FIVE))


def look_around(time_s: Floats, rng: np.random.Generator, reach_deg: float = 20.0) -> Floats:
    """(n, 2) gaze: the five targets, then saccades to random places, every fourth half minute nystagmus."""
    steps, at = [(target.start_s + 0.2, target[2:]) for target in targets()], len(FIVE) * HOLD_S
    while at < time_s[-1]:
        place = rng.normal(0.0, reach_deg / 2.5, 2).clip(-reach_deg, reach_deg)
        steps.append((at, (float(place[0]), float(place[1]) * 0.7)))
        at += rng.uniform(0.3, 2.0)
    gaze = np.zeros((len(time_s), 2))
    before = np.zeros(2)
    for start_s, place in steps:
        size = float(np.linalg.norm(np.array(place) - before))
        part = np.clip((time_s - start_s) / (0.021 + 0.0022 * size), 0.0, 1.0)
        gaze += np.outer(part**3 * (10 - 15 * part + 6 * part**2), np.array(place) - before)
        before = np.array(place)
    beating = (time_s // 30.0 % 4 == 3)[:, None]
    sawtooth = np.column_stack((-(time_s % 0.4) * 15.0 + 3.0, (time_s % 0.4) * 3.0 - 0.6))
    gaze = np.where(beating, 0.3 * gaze + sawtooth, gaze)
    return gaze + rng.normal(0.0, 0.03, gaze.shape)


def sizes_mm(time_s: Floats, rng: np.random.Generator) -> Floats:
    """(n,) pupil: light and dark by turns of 20 to 60 s after the calibration, and its own unrest."""
    aim, at, dark = np.full(len(time_s), 3.5), len(FIVE) * HOLD_S + 5.0, True
    while at < time_s[-1]:
        aim[time_s >= at] = rng.uniform(5.0, 6.5) if dark else rng.uniform(2.8, 4.0)
        at, dark = at + rng.uniform(20.0, 60.0), not dark
    size, step_s = aim.copy(), float(time_s[1] - time_s[0])
    for k in range(1, len(size)):
        size[k] = size[k - 1] + (aim[k] - size[k - 1]) * step_s / (2.5 if aim[k] > size[k - 1] else 0.4)
    return size + 0.1 * np.sin(2 * np.pi * 0.3 * time_s + 1.0) * np.sin(0.7 * time_s)


def trace(
    eye: SimulatedEye,
    camera: Camera,
    time_s: Floats,
    gaze_deg: Floats,
    pupil_mm: Floats,
    slips: Sequence[SlipAt] = (),
    rng: np.random.Generator | None = None,
    noise_px: float = 0.05,
) -> NDArray[np.void]:
    """SAMPLE_DTYPE rows of an upright camera; a blink every few seconds where `rng` is given."""
    rows = np.zeros(len(time_s), SAMPLE_DTYPE)
    rows["frame"], rows["time_s"] = np.arange(len(time_s)), time_s
    for name in ("device_time_s", "rotation_deg", "horizontal_deg", "vertical_deg", "torsional_deg"):
        rows[name] = np.nan
    rows["visible_share"], rows["pupil_quality"], rows["glint_count"] = 1.0, 0.9, 1.0
    for k, moment_s in enumerate(time_s):
        _fill(rows[k], eye, _slipped(camera, moment_s, slips), gaze_deg[k], float(pupil_mm[k]))
    rng = rng or np.random.default_rng(0)
    for name in ("x_px", "y_px", "glint_x_px", "glint_y_px"):
        rows[name] += rng.normal(0.0, noise_px, len(rows))
    at = len(FIVE) * HOLD_S + rng.uniform(1.0, 4.0)
    while at < time_s[-1]:
        blink = (time_s > at) & (time_s < at + 0.15)
        beside = (time_s > at - 0.03) & (time_s < at + 0.2) & ~blink
        rows["y_px"][beside] += 1.5  # the lid cuts the pupil from above
        rows["visible_share"][beside] = 0.6
        for name in ("x_px", "y_px", "major_px", "glint_x_px", "glint_y_px"):
            rows[name][blink] = np.nan
        at += rng.uniform(2.0, 6.0)
    return rows


def _slipped(camera: Camera, moment_s: float, slips: Sequence[SlipAt]) -> Camera:
    shift, turn = np.zeros(3), np.zeros(3)
    for slip in slips:
        part = min(max((moment_s - slip.start_s) / slip.lasts_s, 0.0), 1.0)
        shift += part * np.array(slip.shift_mm)
        turn += part * np.array(slip.turn_deg)
    if not (shift.any() or turn.any()):
        return camera
    return replace(camera, shift_mm=tuple(shift.tolist()), slip_deg=tuple(turn.tolist()))


def _fill(row: np.void, eye: SimulatedEye, camera: Camera, gaze_deg: Floats, pupil_mm: float) -> None:
    surfaces = optics.surfaces(eye)
    position, camera_axes = camera.pose(eye.eye)
    gaze = np.array([gaze_deg[0], gaze_deg[1], 0.0])
    axes = optics.eye_axes(gaze, eye.nasal_sign * eye.kappa_temporal_deg, eye.kappa_up_deg)
    middle = (np.array(camera.upright_size_px) - 1) / 2
    rays = optics.rays_in_eye(axes, position, camera_axes, camera.focal_length_px, middle[0], middle[1])
    pupil = np.array([*eye.pupil_centre_mm(pupil_mm), pupil_mm / 2])
    x, y, major, minor, angle = optics.ellipse_of(optics.pupil_outline(rays, surfaces, pupil))
    lamp = position + np.array(LAMP_MM) @ camera_axes
    seen = camera_axes @ (optics.glint_point(axes, surfaces, lamp, position) - position)
    glint = middle + camera.focal_length_px * seen[:2] / seen[2]
    row["x_px"], row["y_px"], row["major_px"], row["minor_px"], row["angle_deg"] = x, y, major, minor, angle
    row["glint_x_px"], row["glint_y_px"] = glint
