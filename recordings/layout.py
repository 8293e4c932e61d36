"""The files of a recording, and what stands where inside the two HDF5 files.

    <data folder>/<random id>/
        journal.sqlite    while recording; goes only after sealing is proven
        measurement.h5    samples, targets, events, calibrations, profile; sealed, never changes
        images.h5         the eye pictures; sealed, may be withdrawn as a whole
        seal.json         sizes and SHA-256 of both; written last
        owner.lock        while a program records or seals: which, since when

    measurement.h5                                  images.h5
        /            root attributes                    /            root attributes
        /profile     JSON                               /eyes/<eye>/bytes    all pictures, one after another
        /eyes/<eye>/<column>   (n,), one a sample       /eyes/<eye>/offset   (n + 1,), where each begins
        /targets/<column>      (targets,)               /eyes/<eye>/frame    (n,), its frame number
        /events/<column>       (events,)
        /calibration/<eye>     JSON

Two eyes in one picture share one group of images.h5 by a hard link. An empty picture was not kept.

Versions are "major.minor". A reader accepts every file of its own major: datasets and attributes that it
does not know are ignored, so a newer minor may only add. What changes the meaning of something that is there,
or takes it away, is a new major, and a reader refuses a major newer than its own. A later major keeps readers
for every earlier one. So every field that is added to something stored has a default.

1.1 added, for live recordings: how each camera's clock was used, when each picture arrived
(`/eyes/<eye>/host_time_s`, (n,), where `time_s` comes from the camera's stamps), what was cropped, what the
rate and the offset of the cameras rule out.
1.2 added which test of the battery it was, and the event kinds reached, confirmed, sign.
1.3 added the reflection on the cornea: glint_x_px, glint_y_px, glint_count (read as NaN where missing), and
the event kind doubt: degrees are those of pupils from which slips of the goggles were taken out.
1.4 added what the patient told and what was found at the bedside: the root attribute history, JSON.
1.5 added what a camera is asked for when it is opened: settings, in the profile.

Only fixed-size types and hard links are used. The one exception is what the HDF5 dimension scales demand of
themselves (the attributes DIMENSION_LIST and REFERENCE_LIST), which no reader of ours looks at.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

from recordings.errors import RecordingError

JOURNAL = "journal.sqlite"
MEASUREMENT = "measurement.h5"
IMAGES = "images.h5"
SEAL = "seal.json"
OWNER = "owner.lock"
UNFINISHED = ".new"  # ending of a file that is being written

MEASUREMENT_FORMAT = "driftbeat-measurement"
IMAGES_FORMAT = "driftbeat-images"
VERSION = (1, 5)

CHUNK_ROWS = 16384  # 128 KiB a chunk of float64
PICTURE_CHUNK_BYTES = 1 << 17  # small, so that one picture costs little more than its own bytes
TEXT_BYTES = 1 << 16  # the longest text of an attribute or a cell


class Column(NamedTuple):
    """Unit of a dataset and which way its values grow."""

    unit: str
    positive: str


TIME = Column("s", "later; 0 is the earliest first frame of either eye, host clock")
SAMPLE_COLUMNS: dict[str, Column] = {
    "frame": Column("1", "later; counts the frames of the source, a jump means lost frames"),
    "time_s": TIME,
    "device_time_s": Column("s", "later; the camera's own clock, NaN where it has none"),
    "repeated": Column("1", "1 where the picture is a copy of the one before"),
    "x_px": Column("px", "image right; 0 is the centre of the first pixel of the picture as delivered"),
    "y_px": Column("px", "image down; 0 is the centre of the first pixel of the picture as delivered"),
    "major_px": Column("px", "larger; semi-axis of the pupil"),
    "minor_px": Column("px", "larger; semi-axis of the pupil"),
    "angle_deg": Column("deg", "long axis of the pupil from image x toward image y"),
    "visible_share": Column("1", "more of the pupil's area visible"),
    "pupil_quality": Column("1", "better"),
    "rotation_deg": Column("deg", "iris in the picture from image x toward image y"),
    "torsion_quality": Column("1", "better"),
    "horizontal_deg": Column("deg", "patient's right"),
    "vertical_deg": Column("deg", "up"),
    "torsional_deg": Column("deg", "upper pole toward the patient's right ear"),
    "glint_x_px": Column("px", "image right, as x_px; reflection of one lamp of the goggles on the cornea"),
    "glint_y_px": Column("px", "image down, as y_px; reflection of one lamp of the goggles on the cornea"),
    "glint_count": Column("1", "more reflections seen on the cornea, of lamps and of other light"),
}
ADDED_COLUMNS = ("glint_x_px", "glint_y_px", "glint_count")  # since 1.3, the last of SAMPLE_DTYPE
ARRIVAL = "host_time_s"
ARRIVAL_COLUMN = Column("s", "later; when the host had the picture, counted as time_s is")
TARGET_COLUMNS: dict[str, Column] = {
    "start_s": TIME,
    "end_s": TIME,
    "horizontal_deg": Column("deg", "patient's right"),
    "vertical_deg": Column("deg", "up"),
}
EVENT_COLUMNS: dict[str, Column] = {
    "start_s": TIME,
    "end_s": TIME,
    "kind": Column("text", "none"),
    "text": Column("text", "none"),
}


def sealing_command(folder: Path) -> str:
    """What a person types to have the left-over recording in `folder` sealed."""
    return f'driftbeat rescue --data "{folder.absolute().parent}"'


def refuse_without_locking() -> None:
    """Refuse to touch HDF5 files while their locks are switched off: a second program could cut a recording.

    Raises RecordingError when HDF5_USE_FILE_LOCKING switches them off.
    """
    if os.environ.get("HDF5_USE_FILE_LOCKING", "").strip().upper() in {"FALSE", "0"}:
        raise RecordingError(
            "HDF5_USE_FILE_LOCKING is off in this environment, so two programs could write one recording. "
            "Nothing was touched. Remove the variable and start again."
        )
