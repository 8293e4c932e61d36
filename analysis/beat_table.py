"""Beats as rows of a table for other programs."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.beats import Beat
from analysis.trace import Trace
from recordings.export.tables import BeatRow


def beat_rows(trace: Trace, beats: Sequence[Beat]) -> list[BeatRow]:
    """Rows of one eye's beats, refused ones included, in the order given.

    Where the direction of the trace is not proven the row holds no direction word; velocities and amplitudes
    keep the sign that the unproven picture gives them.
    """
    return [_row(trace, beat) for beat in beats]


def _row(trace: Trace, beat: Beat) -> BeatRow:
    per_axis = zip(
        beat.slow_phase_velocity_dps, beat.slow_phase_velocity_se_dps, beat.amplitude_deg, strict=True
    )
    return BeatRow(
        beat.eye,
        beat.axis,
        beat.direction if trace.direction_proven else "",
        beat.slow_start_s,
        beat.slow_end_s,
        beat.quick_start_s,
        beat.quick_end_s,
        *(float(value) for axis in per_axis for value in axis),
        calibrated=trace.calibrated,
        accepted=beat.accepted,
        reason=beat.reason,
        direction_proven=trace.direction_proven,
    )
