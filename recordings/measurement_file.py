"""measurement.h5: written once from what a recording holds, and read back into the same."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import h5py
import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.profile import GoggleProfile
from capture.samples import EYES, SAMPLE_DTYPE, Eye, Target
from recordings.errors import DamagedError, NewerFormatError, NotOursError
from recordings.event import Event
from recordings.hdf5 import (
    add_column,
    add_table,
    add_text,
    create,
    dataset_of,
    fixed_text,
    get_attributes,
    group_of,
    set_attributes,
    sync,
)
from recordings.info import EyeInfo, RecordingInfo
from recordings.layout import (
    ADDED_COLUMNS,
    ARRIVAL,
    ARRIVAL_COLUMN,
    EVENT_COLUMNS,
    MEASUREMENT_FORMAT,
    SAMPLE_COLUMNS,
    TARGET_COLUMNS,
    VERSION,
    Column,
)


@dataclass(frozen=True, slots=True)
class Measurement:
    """Everything that measurement.h5 holds; times from the recording's zero."""

    info: RecordingInfo
    profile: GoggleProfile
    samples: Mapping[Eye, NDArray[np.void]]  # rows of SAMPLE_DTYPE
    targets: tuple[Target, ...]
    events: tuple[Event, ...]
    calibrations: Mapping[Eye, bytes]  # JSON
    arrival_s: Mapping[Eye, NDArray[np.float64]] = field(default_factory=dict)  # (n,) of a live recording

    def sha256(self) -> dict[str, str]:
        """A hash of each part, to compare what was to be written with what can be read."""
        parts = {
            "info": msgspec.json.encode(self.info, order="deterministic"),
            "profile": self.profile.to_json(),
            "targets": np.array(self.targets, np.float64).tobytes(),
            "events": msgspec.json.encode(self.events),
            **{f"calibration/{eye}": text for eye, text in self.calibrations.items()},
        }
        parts |= {f"eyes/{eye}/{ARRIVAL}": times.tobytes() for eye, times in self.arrival_s.items()}
        for eye, rows in self.samples.items():
            parts |= {f"eyes/{eye}/{name}": np.ascontiguousarray(rows[name]).data for name in SAMPLE_COLUMNS}
        return {name: hashlib.sha256(part).hexdigest() for name, part in parts.items()}


def write_measurement(path: Path, measurement: Measurement) -> None:
    """Write a new file and put it on the disk. Raises FileExistsError rather than overwrite."""
    with create(path) as file:
        builtins = msgspec.to_builtins(measurement.info)
        eyes = builtins.pop("eyes")
        history = msgspec.json.encode(measurement.info.history).decode()
        set_attributes(file, {**builtins, "history": history})
        add_text(file, "profile", measurement.profile.to_json())
        for eye, rows in measurement.samples.items():
            group = file.create_group(f"eyes/{eye}")
            set_attributes(group, eyes[eye])
            add_table(group, {name: rows[name] for name in SAMPLE_COLUMNS}, SAMPLE_COLUMNS, "time_s")
            if eye in measurement.arrival_s:
                add_column(group, ARRIVAL, measurement.arrival_s[eye], ARRIVAL_COLUMN)
                dataset_of(group, ARRIVAL).dims[0].attach_scale(dataset_of(group, "time_s"))
            add_text(file.require_group("calibration"), eye, measurement.calibrations[eye])
        targets = np.array(measurement.targets, np.float64).reshape(-1, len(TARGET_COLUMNS))
        add_table(
            file.create_group("targets"),
            dict(zip(TARGET_COLUMNS, targets.T, strict=True)),
            TARGET_COLUMNS,
            "start_s",
        )
        add_table(file.create_group("events"), _event_columns(measurement.events), EVENT_COLUMNS, "start_s")
    sync(path)


def _event_columns(events: tuple[Event, ...]) -> dict[str, NDArray[Any]]:
    return {
        "start_s": np.array([event.start_s for event in events], np.float64),
        "end_s": np.array([event.end_s for event in events], np.float64),
        "kind": fixed_text([event.kind for event in events]),
        "text": fixed_text([event.text for event in events]),
    }


def read_measurement(path: Path) -> Measurement:
    """Read a file that this or an older minor version wrote; what a newer minor added is ignored.

    Raises NotOursError, NewerFormatError or DamagedError naming the file.
    """
    try:
        with h5py.File(path, "r") as file:
            check_format(file, MEASUREMENT_FORMAT, path)
            return _read(file)
    except (OSError, KeyError, ValueError, TypeError, RuntimeError, msgspec.MsgspecError) as error:
        raise DamagedError(
            f"{path} cannot be read ({error}). It was not changed. Take it from a second copy."
        ) from error


def check_format(file: h5py.File, wanted: str, path: Path) -> None:
    """Refuse a file that is not ours or of a newer major version."""
    found = get_attributes(file, ["format", "format_version", "software"])
    if found.get("format") != wanted:
        raise NotOursError(f"{path} is not a recording of Driftbeat. It was not changed.")
    major = int(str(found["format_version"]).split(".")[0])
    if major > VERSION[0]:
        raise NewerFormatError(
            f"{path} was made by a newer {found.get('software')} (format {found['format_version']}). "
            f"This one reads up to format {VERSION[0]}. Nothing was changed. Update Driftbeat to open it."
        )


def _read(file: h5py.File) -> Measurement:
    groups: dict[Eye, h5py.Group] = {
        eye: group_of(file, f"eyes/{eye}") for eye in EYES if eye in group_of(file, "eyes")
    }
    root = get_attributes(file, [name for name in RecordingInfo.__struct_fields__ if name != "eyes"])
    history = msgspec.json.decode(str(root.pop("history", "{}")))  # there since 1.4
    streams = {eye: get_attributes(group, list(EyeInfo.__struct_fields__)) for eye, group in groups.items()}
    targets = _rows(group_of(file, "targets"), TARGET_COLUMNS)
    samples: dict[Eye, NDArray[np.void]] = {eye: _samples(group) for eye, group in groups.items()}
    calibrations: dict[Eye, bytes] = {eye: bytes(dataset_of(file, f"calibration/{eye}")[0]) for eye in groups}
    return Measurement(
        info=msgspec.convert({**root, "history": history, "eyes": streams}, RecordingInfo, strict=False),
        profile=msgspec.json.decode(dataset_of(file, "profile")[0], type=GoggleProfile),
        samples=samples,
        targets=tuple(Target(*row) for row in targets),
        events=msgspec.convert(_rows(group_of(file, "events"), EVENT_COLUMNS), tuple[Event, ...]),
        calibrations=calibrations,
        arrival_s={eye: dataset_of(group, ARRIVAL)[:] for eye, group in groups.items() if ARRIVAL in group},
    )


def _samples(group: h5py.Group) -> NDArray[np.void]:
    rows = np.empty(len(dataset_of(group, "time_s")), SAMPLE_DTYPE)
    for name in SAMPLE_COLUMNS:
        rows[name] = dataset_of(group, name)[:] if name in group or name not in ADDED_COLUMNS else np.nan
    return rows


def _rows(group: h5py.Group, columns: Mapping[str, Column]) -> list[tuple[Any, ...]]:
    """A small table, row by row."""
    values = [dataset_of(group, name)[:].tolist() for name in columns]
    texts = [[cell.decode() if isinstance(cell, bytes) else cell for cell in column] for column in values]
    return list(zip(*texts, strict=True))
