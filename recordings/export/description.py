"""What the exported columns mean and where they come from: the content of recording.json."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version

import msgspec

from capture.samples import Eye
from recordings.export.tables import SAMPLE_COLUMNS as EXPORTED
from recordings.export.tables import BeatRow
from recordings.layout import SAMPLE_COLUMNS
from recordings.sealed import Recording

FORMAT = "driftbeat export 1"
LIBRARIES = ("numpy", "scipy", "numba", "opencv-python-headless", "h5py", "msgspec")
BEAT_MEANINGS = {
    "eye": "right or left",
    "axis": "the axis of the fastest slow phase: horizontal, vertical or torsional",
    "direction": "of the quick phase: right, left, up, down, upper_pole_right or upper_pole_left; "
    "empty where it is not proven",
    "slow_start_s": "s",
    "slow_end_s": "s",
    "quick_start_s": "s",
    "quick_end_s": "s",
    "calibrated": "True where degrees come from targets of known angle",
    "accepted": "False where the machine refused the beat",
    "reason": "why it was refused; empty where accepted",
    "direction_proven": "False where signs are those of the picture and may be others for the patient",
}
ERROR = (
    "deg, standard error that the calibration leaves in {}_deg: patient's aim at the targets, and what the "
    "targets cannot tell about eye and camera; the unrest of single samples is not in it"
)
SAMPLE_MEANINGS = {
    "calibrated": BEAT_MEANINGS["calibrated"],
    "direction_proven": BEAT_MEANINGS["direction_proven"],
    "horizontal_se_deg": ERROR.format("horizontal"),
    "vertical_se_deg": ERROR.format("vertical"),
}
DIRECTED = ("horizontal_deg", "vertical_deg", "torsional_deg")
SUFFIXES = {
    "_se_dps": "deg/s, standard error of the slow-phase velocity",
    "_dps": "deg/s, slow-phase velocity, signed",
    "_deg": "deg, amplitude of the quick phase, signed",
}


def describe(
    recording: Recording, settings: Mapping[str, object], banners: Sequence[str], sign_rule: str
) -> dict[str, object]:
    """Everything that a reader of the tables needs.

    `settings` are those of the analysis, as plain data; `banners` stand above every number of the recording;
    `sign_rule` says for which eyes the signs are proven.
    """
    info = msgspec.structs.replace(recording.info, sign_rule=sign_rule)
    return {
        "format": FORMAT,
        "banners": list(banners),
        "verified": recording.verified,
        "sign_rule": sign_rule,
        "degrees": "Fick angles of the line of sight: horizontal, vertical, torsion; nothing subtracted",
        "pixels": "of the full picture as delivered; (0, 0) is the centre of the top-left pixel, y down",
        "time_s": "seconds since the earliest first frame of either eye, host clock",
        "host_time_of_zero_s": info.host_time_of_zero_s,
        "missing": "an empty cell, or null in this file",
        "recording": msgspec.to_builtins(info),
        "directions": {eye: _direction(recording, eye) for eye in recording.samples},
        "targets": [target._asdict() for target in recording.targets],
        "events": [event._asdict() for event in recording.events],
        "calibration": {eye: msgspec.to_builtins(one) for eye, one in recording.calibrations.items()},
        "profile": msgspec.to_builtins(recording.profile),
        "analysis_settings": settings,
        "columns": {
            "samples": {name: _sample_meaning(name) for name in EXPORTED},
            "beats": {name: _beat_meaning(name) for name in BeatRow._fields},
        },
        "versions": versions(),
    }


def versions() -> dict[str, str]:
    """Versions of what worked out the tables."""
    found = {"python": platform.python_version()}
    for name in ("driftbeat", *LIBRARIES):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed as a package"
    return found


def _direction(recording: Recording, eye: Eye) -> dict[str, str]:
    calibration = recording.calibrations[eye]
    proven = calibration.direction == "proven"
    words = (
        "given" if proven else "withheld: the look to known targets does not prove which way is right and up"
    )
    return {"check": calibration.direction, "direction_words": words, "reason": calibration.reason}


def _sample_meaning(name: str) -> str:
    if name in SAMPLE_MEANINGS:
        return SAMPLE_MEANINGS[name]
    column = SAMPLE_COLUMNS[name]
    proven = " (where direction_proven)" if name in DIRECTED else ""
    return f"{column.unit}; grows toward: {column.positive}{proven}"


def _beat_meaning(name: str) -> str:
    if name in BEAT_MEANINGS:
        return BEAT_MEANINGS[name]
    return next(meaning for suffix, meaning in SUFFIXES.items() if name.endswith(suffix))
