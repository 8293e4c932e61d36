"""What can be said of an eye while it is recorded: nystagmus that goes on now, and signs to tell at once.

The same beats, the same presence rule and the same limits as in the report, over the last seconds only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.beats import Beat, Triple
from analysis.eye_window import VELOCITY, NystagmusSettings
from analysis.limits import LIMITS
from analysis.nystagmus import BEAT_NAMES, Middle, direction, middle, run_signs
from analysis.nystagmus_findings import is_present
from analysis.procedure import Light
from capture.samples import AXES, Eye

HORIZONTAL, VERTICAL, TORSIONAL = range(3)


@dataclass(frozen=True, slots=True)
class LiveSettings:
    """Seconds and beats."""

    run_beats: int = 3  # of one direction make a run (clinical 1.4)
    run_gap_s: float = 3.0  # without a beat ends it (clinical 1.4)
    least_velocity_dps: float = 1.0  # slower ends it (clinical 1.4)
    recent_s: float = 3.0  # over which the velocity is shown (design choice)
    sign_s: float = 10.0  # over which signs are looked for: that of the presence rule
    sign_beats: int = 8  # fewer tell no axis alone: at its beginning one axis is seen before the others
    # Vertical nystagmus in one position: up to this in healthy people (Nelson et al., J Am Acad Audiol
    # 2019;30:883-895, abstract: 100 people).
    healthy_in_position_dps: float = 2.0


SETTINGS = LiveSettings()
PRESENCE = NystagmusSettings()


@dataclass(frozen=True, slots=True)
class LiveNystagmus:
    """One eye's nystagmus in the last seconds. Triples are horizontal, vertical, torsional."""

    running: bool = False  # it goes on now
    velocity_dps: Triple = (math.nan, math.nan, math.nan)  # median of the recent slow phases
    present: tuple[bool | None, bool | None, bool | None] = (None, None, None)  # None: too few beats to tell
    lasting_dps: Triple = (math.nan, math.nan, math.nan)  # median over the time that `present` looks at
    still: tuple[bool, bool, bool] = (False, False, False)  # surely slower than nystagmus is
    beats: int = 0  # accepted ones in that time

    def words(self) -> tuple[str, ...]:
        """Such as "right-beating 8 deg/s", the axes that are present."""
        return tuple(
            f"{BEAT_NAMES[direction(axis, velocity)]} {abs(velocity):.0f} deg/s"
            for axis, velocity, there in zip(AXES, self.velocity_dps, self.present, strict=True)
            if there and direction(axis, velocity)
        )


def live_nystagmus(beats: Sequence[Beat], now_s: float) -> LiveNystagmus:
    """What the accepted among the `beats` of one eye, in order of time, say at `now_s` of the same clock."""
    accepted = [beat for beat in beats if beat.accepted]
    recent = [beat for beat in accepted if beat.quick_end_s > now_s - SETTINGS.recent_s]
    lasting = [beat for beat in accepted if beat.quick_end_s > now_s - SETTINGS.sign_s]
    return LiveNystagmus(
        running=_runs(accepted, now_s),
        velocity_dps=_medians(recent),
        present=(_present(lasting, 0), _present(lasting, 1), _present(lasting, 2)),
        lasting_dps=_medians(lasting),
        still=(_still(lasting, 0), _still(lasting, 1), _still(lasting, 2)),
        beats=len(lasting),
    )


def _runs(accepted: list[Beat], now_s: float) -> bool:
    last = accepted[-SETTINGS.run_beats :]
    if len(last) < SETTINGS.run_beats or now_s - last[-1].quick_end_s > SETTINGS.run_gap_s:
        return False
    longest_s = SETTINGS.run_beats * SETTINGS.run_gap_s
    speeds = np.abs([beat.slow_phase_velocity_dps for beat in last])
    return any(
        run_signs(last, axis, SETTINGS.run_beats, longest_s)
        and np.median(speeds[:, axis]) >= SETTINGS.least_velocity_dps
        for axis in range(3)
    )


def _medians(beats: Sequence[Beat]) -> Triple:
    horizontal, vertical, torsional = (
        float(np.median(values)) if (values := _measured(beats, axis)) else math.nan for axis in range(3)
    )
    return horizontal, vertical, torsional


def _measured(beats: Sequence[Beat], axis: int) -> list[float]:
    return [v for beat in beats if math.isfinite(v := beat.slow_phase_velocity_dps[axis])]


def _present(beats: Sequence[Beat], axis: int) -> bool | None:
    """By the presence rule of the report; None where too few beats can tell."""
    measured = [beat for beat in beats if math.isfinite(beat.slow_phase_velocity_dps[axis])]
    centre = _middle(measured, axis)
    return None if centre is None else is_present(centre, measured, axis, PRESENCE)


def _still(beats: Sequence[Beat], axis: int) -> bool:
    """Whether even a velocity three standard errors further would not be present: more than "not present"."""
    centre = _middle([b for b in beats if math.isfinite(b.slow_phase_velocity_dps[axis])], axis)
    if centre is None:
        return False
    furthest_dps = abs(centre.median) + PRESENCE.present_standard_errors * centre.standard_error
    return furthest_dps < PRESENCE.present_velocity_dps


def _middle(measured: Sequence[Beat], axis: int) -> Middle | None:
    if len(measured) < PRESENCE.least_beats:
        return None
    velocities = np.array([beat.slow_phase_velocity_dps[axis] for beat in measured])
    errors = np.array([beat.slow_phase_velocity_se_dps[axis] for beat in measured])
    return middle(velocities, errors)


def live_signs(eyes: Mapping[Eye, LiveNystagmus], light: Light, *, in_position: bool) -> tuple[str, ...]:
    """Patterns of the clinic's red flags that the eyes show now; the doctor sees them at once.

    Only eyes whose degrees and directions are proven may be handed in: a turned picture exchanges the axes.
    Nystagmus on one axis alone, faster than healthy people show it, is told when the other axes are surely
    still; where torsion could not be read, that is said.
    """
    healthy_dps = SETTINGS.healthy_in_position_dps if in_position else _healthy_dps(light)
    found = [
        _pure(seen, axis, healthy_dps)
        for seen in eyes.values()
        if seen.running and seen.beats >= SETTINGS.sign_beats
        for axis in (VERTICAL, TORSIONAL)
    ]
    return tuple(dict.fromkeys(text for text in found if text))


def _pure(seen: LiveNystagmus, axis: int, healthy_dps: float) -> str:
    """Without its speed, so that the text stays the same while the sign lasts."""
    other = TORSIONAL if axis == VERTICAL else VERTICAL
    if not seen.present[axis] or not seen.still[HORIZONTAL] or not abs(seen.lasting_dps[axis]) > healthy_dps:
        return ""
    name = BEAT_NAMES[direction(AXES[axis], seen.lasting_dps[axis])]
    if seen.still[other]:
        return f"Purely {AXES[axis]} nystagmus ({name}). Doctor now."
    if seen.present[other] is None and axis == VERTICAL:
        return f"Nystagmus without a horizontal part ({name}); torsion not read. Show the doctor now."
    return ""


def _healthy_dps(light: Light) -> float:
    """Velocity that healthy people do not exceed in this light; that of the dark where it is not stated."""
    known = {"light": "fixation", "not stated": "dark"}.get(light, light)
    return next(row.high for row in LIMITS if (row.measure, row.light) == (VELOCITY, known))
