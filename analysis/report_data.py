"""What was measured as plain data for JSON, with everything that a reader must know before using it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.analyse import RecordingResult, plain
from analysis.banners import banners, sign_rule
from analysis.marking import mark

if TYPE_CHECKING:
    from analysis.beats import Beat
    from analysis.trace import Trace
    from capture.samples import Eye
    from recordings.sealed import Recording


def result_as_data(recording: Recording, result: RecordingResult) -> dict[str, Any]:
    """Findings, beats counted, state of the recording, settings; a missing number is None, never NaN."""
    info = recording.info
    return {
        "recording": result.recording_id,
        "patient_code": info.patient_code,
        "made_utc": info.made_utc,
        "complete": recording.complete,
        "training": info.training,
        "verified": recording.verified,
        "banners": list(banners(recording)),
        "sign_rule": sign_rule(recording),
        "age_years": plain(result.age),
        "eyes": {
            eye: _eye_as_data(recording, eye, trace, result.beats[eye])
            for eye, trace in result.traces.items()
        },
        "procedures": [plain(r) for r in result.results],
        "settings": plain(result.settings),
    }


def _eye_as_data(recording: Recording, eye: Eye, trace: Trace, beats: Sequence[Beat]) -> dict[str, Any]:
    stream, marking = recording.info.eyes[eye], mark(recording, eye)
    return {
        "frames": len(trace.time_s),
        "lost": stream.lost,
        "repeated": stream.repeated,
        "times": stream.times,
        "rate_hz": plain(float(trace.rate_hz)),
        "valid_share": plain(float(np.mean(trace.valid)) if len(trace.valid) else math.nan),
        "torsion_share": plain(float(np.mean(trace.torsion_valid)) if len(trace.valid) else math.nan),
        "torsion_withheld": marking.torsion_withheld,
        "calibrated": trace.calibrated,
        "direction": recording.calibrations[eye].direction,
        "direction_proven": trace.direction_proven,
        "marks": list(marking.marks),
        "beats_accepted": sum(b.accepted for b in beats),
        "beats_rejected": sum(not b.accepted for b in beats),
    }
