"""The one configuration behind every recording, as text for a report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import msgspec

from recordings.info import software


def settings_text(settings: Mapping[str, Any]) -> str:
    """Names and values of settings objects, nested ones in line.

    >>> settings_text({"a_s": 0.5, "b": (1, 2.0)})
    'a_s 0.5 · b 1 2'
    """
    return " · ".join(f"{name} {value}" for name, value in _leaves(settings))


def capture_settings(recorded_by: str) -> dict[str, str]:
    """Settings of frame times, tracking and calibration, group by group.

    Only those of this program are known: a recording of another version names that version instead.
    """
    if recorded_by != software():
        return {"tracking and calibration": f"as fixed in {recorded_by}"}
    from capture.calibration_fit import FitSettings  # heavy; only a report needs them
    from capture.clock_match import ClockSettings, PairSettings
    from capture.direction import DirectionSettings
    from capture.fixations import FixationSettings
    from capture.frame_numbers import NumberSettings
    from capture.frame_times import GapSettings
    from capture.grading import GradeSettings
    from capture.rate import RateSettings
    from capture.refusal import RefusalSettings
    from capture.repeats import RepeatSettings
    from capture.tracker import TrackerSettings

    groups: dict[str, tuple[object, ...]] = {
        "frames": (
            GapSettings(), RepeatSettings(), NumberSettings(), RateSettings(), ClockSettings(), PairSettings()
        ),
        "tracking": (TrackerSettings(),),
        "calibration": (
            FixationSettings(), RefusalSettings(), FitSettings(), DirectionSettings(), GradeSettings()
        ),
    }  # fmt: skip
    return {
        name: " · ".join(settings_text(as_mapping(group)) for group in settings)
        for name, settings in groups.items()
    }


def as_mapping(settings: Any) -> Mapping[str, Any]:
    """Fields of a settings object, dataclass or msgspec struct."""
    if isinstance(settings, msgspec.Struct):
        return msgspec.structs.asdict(settings)
    return {f.name: getattr(settings, f.name) for f in fields(settings)}


def _leaves(settings: Mapping[str, Any]) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for name, value in settings.items():
        if isinstance(value, msgspec.Struct) or is_dataclass(value):
            found += _leaves(as_mapping(value))
        elif isinstance(value, Mapping):
            found += _leaves(value)
        else:
            many = value if isinstance(value, list | tuple) else (value,)
            found.append((name, " ".join(f"{v:g}" if isinstance(v, float) else str(v) for v in many)))
    return found
