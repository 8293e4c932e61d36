"""From a finished journal to what measurement.h5 holds: the zero of time, degrees, counts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Protocol, TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.calibration import Calibration, calibrate, default_calibration, degrees
from capture.clock_match import ClockMatch
from capture.frame_times import lost_before
from capture.live import SIGNAL_LOST_S
from capture.samples import AXES, NAN, SIGN_RULE, Eye, Target
from capture.slip import Steadied, doubts, steady
from recordings.event import Event
from recordings.images_file import CameraPictures, PictureSums
from recordings.info import Ending, EyeInfo, EyeSource, LiveOpening, Opening, RecordingInfo
from recordings.iris_reference import zero_doubt
from recordings.journal import FinishedJournal
from recordings.layout import MEASUREMENT_FORMAT, VERSION
from recordings.live_facts import match_cameras, with_live_facts, with_opening
from recordings.measurement_file import Measurement

Spanned = TypeVar("Spanned", Target, Event)


class Finished(Protocol):
    """What is measured of a recording that is over: its journal, or what was held of it meanwhile."""

    @property
    def opening(self) -> Opening: ...  # noqa: D102
    @property
    def ending(self) -> Ending: ...  # noqa: D102
    def samples(self, eye: Eye) -> NDArray[np.void]: ...  # noqa: D102
    def targets(self) -> tuple[Target, ...]: ...  # noqa: D102
    def events(self) -> tuple[Event, ...]: ...  # noqa: D102
    def calibration(self, eye: Eye) -> bytes | None: ...  # noqa: D102


def pictures_of(journal: FinishedJournal) -> list[CameraPictures]:
    """The kept pictures of each camera; a frame without one gets an empty place."""
    found: list[CameraPictures] = []
    for place, camera in enumerate(journal.opening.profile.cameras):
        eyes: tuple[Eye, ...] = tuple(
            source.eye for source in journal.opening.eyes if source.camera == camera.identity
        )
        if not eyes:
            continue
        size_of = journal.image_sizes(place)
        frames = sorted({*size_of, *(n for eye in eyes for n in journal.samples(eye)["frame"].tolist())})
        sizes = np.array([size_of.get(frame, 0) for frame in frames], np.int64)
        pictures = (data for _, data in journal.images(place))
        found.append(CameraPictures(eyes, np.array(frames, np.int64), sizes, pictures))
    return found


def measure(journal: Finished, sums: Mapping[Eye, PictureSums]) -> Measurement:
    """Everything that the measurement says."""
    opening = journal.opening
    samples: dict[Eye, NDArray[np.void]] = {
        source.eye: journal.samples(source.eye).copy() for source in opening.eyes
    }
    clocks = match_cameras(samples) if opening.live else {}
    arrival_s = _by_the_best_clock(samples, clocks)
    zero_s = min((float(rows["time_s"][0]) for rows in samples.values() if len(rows)), default=0.0)
    for time_s in (*arrival_s.values(), *(rows["time_s"] for rows in samples.values())):
        time_s -= zero_s
    targets = tuple(_from_zero(target, zero_s) for target in journal.targets())
    events = tuple(_from_zero(event, zero_s) for event in journal.events())
    calibrations: dict[Eye, bytes] = {}
    eyes: dict[Eye, EyeInfo] = {}
    for source in opening.eyes:
        eye, rows = source.eye, samples[source.eye]
        calibration, doubted = _fill_degrees(journal, source, targets, rows)
        events += doubted
        calibrations[eye] = msgspec.json.encode(calibration, order="deterministic")
        eyes[eye] = eye_info(source, rows, sums.get(eye, PictureSums()), opening.live is not None)
        if opening.live:
            eyes[eye] = with_live_facts(eyes[eye], source, clocks.get(eye), opening, zero_s)
    info = _info(journal, zero_s, eyes)
    if opening.live:
        info = with_opening(info, opening.live, samples)
    return Measurement(info, opening.profile, samples, targets, events, calibrations, arrival_s)


def _by_the_best_clock(
    samples: Mapping[Eye, NDArray[np.void]], clocks: Mapping[Eye, ClockMatch]
) -> dict[Eye, NDArray[np.float64]]:
    """Put the samples of live cameras on the steadier of two clocks; when the host had each of them."""
    arrival_s: dict[Eye, NDArray[np.float64]] = {eye: samples[eye]["time_s"].copy() for eye in clocks}
    for eye, clock in clocks.items():
        rows = samples[eye]
        rows["time_s"] = clock.time_s(rows["time_s"], rows["device_time_s"])
    return arrival_s


def _from_zero(what: Spanned, zero_s: float) -> Spanned:
    return what._replace(start_s=what.start_s - zero_s, end_s=what.end_s - zero_s)


def _fill_degrees(
    journal: Finished, source: EyeSource, targets: tuple[Target, ...], rows: NDArray[np.void]
) -> tuple[Calibration, tuple[Event, ...]]:
    """Fill in one eye's degrees; its calibration, and what speaks against them."""
    calibration = _calibration(journal, source, targets, rows)
    given = journal.calibration(source.eye) is not None
    steadied = steady(rows, calibration, () if given else [target[:2] for target in targets])
    found = degrees(calibration, steadied.x_px, steadied.y_px, rows["rotation_deg"])
    for column, axis in enumerate(AXES):
        rows[f"{axis}_deg"] = found[:, column]
    doubted = _doubts(source.eye, steadied, rows)
    if given and journal.opening.live:
        doubted += _torsion_doubt(source.eye, calibration, journal.opening.live)
    return calibration, doubted


def _doubts(eye: Eye, steadied: Steadied, rows: NDArray[np.void]) -> tuple[Event, ...]:
    """What pupil and reflection say against the degrees of one eye."""
    ends_s = (float(rows["time_s"][0]), float(rows["time_s"][-1])) if len(rows) else (0.0, 0.0)
    return tuple(
        Event(*((start_s, end_s) if math.isfinite(start_s) else ends_s), "doubt", f"{eye} eye: {text}")
        for start_s, end_s, text in doubts(steadied)
    )


def _torsion_doubt(eye: Eye, calibration: Calibration, live: LiveOpening) -> tuple[Event, ...]:
    """That zero torsion is not the calibration's, where that had one."""
    text = zero_doubt(eye, live.iris_taken_s.get(eye), live.calibrated_s)
    return (Event(0.0, 0.0, "doubt", text),) if text and calibration.torsion_referenced else ()


def _calibration(
    journal: Finished, source: EyeSource, targets: tuple[Target, ...], rows: NDArray[np.void]
) -> Calibration:
    """The one that was given, else one from the targets, else the default geometry, marked uncalibrated."""
    if given := journal.calibration(source.eye):
        return msgspec.json.decode(given, type=Calibration)
    profile = journal.opening.profile
    view, geometry = profile.view(source.eye), profile.camera(source.eye).geometry
    size_px = (source.width_px, source.height_px)
    try:
        return calibrate(targets, rows, view, geometry, size_px)
    except Exception as error:  # whatever is wrong with it must not hold back what was recorded
        reason = f"The calibration could not be made ({type(error).__name__}: {error})."
        default = default_calibration(view, geometry, size_px)
        return msgspec.structs.replace(default, grade="refused", reason=reason)


def eye_info(source: EyeSource, rows: NDArray[np.void], sums: PictureSums, live: bool) -> EyeInfo:
    """One eye's frames, counted."""
    # A live source has numbered its frames by all that it knew; a late stamp says nothing more.
    time_s = rows["time_s"][:0] if live else rows["time_s"]
    lost = int(lost_before(rows["frame"], time_s).sum())
    repeated = int(np.count_nonzero(rows["repeated"]))
    frozen, frozen_s = _frozen(rows)
    span_s = float(np.ptp(rows["time_s"])) - frozen_s if len(rows) else 0.0
    return EyeInfo(
        camera=source.camera,
        source_name=source.source_name,
        width_px=source.width_px,
        height_px=source.height_px,
        nominal_rate_hz=source.nominal_rate_hz,
        times=source.times,
        frames=len(rows),
        lost=lost,
        repeated=repeated,
        measured_rate_hz=(len(rows) - 1 + lost - repeated - frozen) / span_s if span_s > 0 else NAN,
        **asdict(sums),
    )


def _frozen(rows: NDArray[np.void]) -> tuple[int, float]:
    """Freezes between two distinct pictures: how many, and how long they lasted together (s).

    A camera that sends pictures twice has the rate of those that differ. One that stood still has the rate
    that it has when it does not; its copies are told apart.
    """
    distinct = np.flatnonzero(rows["repeated"] == 0)
    wait_s = np.diff(rows["time_s"][distinct])
    frozen = (wait_s > SIGNAL_LOST_S) & (np.diff(distinct) > 1)
    return int(frozen.sum()), float(wait_s[frozen].sum())


def _info(journal: Finished, zero_s: float, eyes: dict[Eye, EyeInfo]) -> RecordingInfo:
    opening, ending = journal.opening, journal.ending
    return RecordingInfo(
        **msgspec.structs.asdict(opening.circumstances),
        format=MEASUREMENT_FORMAT,
        format_version=f"{VERSION[0]}.{VERSION[1]}",
        software=opening.software,
        id=opening.id,
        made_utc=opening.made_utc,
        clock=opening.clock,
        utc_of_zero="",
        host_time_of_zero_s=zero_s,
        complete=ending.complete,
        ending=ending.reason,
        images=opening.images,
        encryption="none",
        profile_sha256=opening.profile.sha256(),
        sign_rule=SIGN_RULE,
        eyes=eyes,
    )
