"""One run of `driftbeat record`: opens the files, records, and tells what came of it."""

from __future__ import annotations

import filecmp
import logging
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import click
import cv2

from capture.clock import SystemClock
from capture.profile import GoggleProfile, Rotation
from capture.samples import EYES, Eye, Target
from capture.source import Source
from capture.targets import read_targets
from capture.video_file import open_video
from recordings.event import Event
from recordings.info import Circumstances, ImagesKept
from recordings.recorder import Recorder
from ui.ctrl_c import ctrl_c_asks
from ui.file_profile import RegionPx, ViewOptions, make_profile
from ui.log import data_folder
from ui.messages import CommandError
from ui.notes_file import read_notes
from ui.private_file import PrivateFile
from ui.progress import bar, working
from ui.recording_end import sealing, sealing_older, tell
from ui.steps_file import TimedStep, read_steps
from ui.time_checks import check_notes, check_targets, common_span, step_warnings, steps_within

LOGGER = logging.getLogger(__name__)
PREPARING = "Preparing (the first run on this machine takes about a minute)"


@dataclass(frozen=True, slots=True)
class RecordOptions:
    """The options of the command, as click hands them over."""

    right: Path | None
    left: Path | None
    both: Path | None
    right_times: Path | None
    left_times: Path | None
    times: Path | None
    right_region: RegionPx | None
    left_region: RegionPx | None
    mirrored: bool
    rotation: str
    profile: Path | None
    targets: Path | None
    steps: Path | None
    notes: Path | None
    patient: str
    year_of_birth: int | None
    operator: str | None
    site: str
    images: ImagesKept
    data: Path | None

    def eyes(self) -> tuple[Eye, ...]:
        """The eyes that the videos show."""
        return tuple(eye for eye in EYES if self.both or getattr(self, eye))

    def views(self) -> ViewOptions:
        """How the pictures are turned."""
        rotation: Rotation = int(self.rotation)  # type: ignore[assignment]  # click allows only the four
        return ViewOptions(self.profile, self.mirrored, rotation, self.right_region, self.left_region)

    def circumstances(self) -> Circumstances:
        """What is stated about the patient and the place."""
        return Circumstances(
            patient_code=self.patient,
            birth_year=self.year_of_birth,
            operator=self.operator or "",
            site=self.site,
        )


def record(options: RecordOptions) -> int:
    """Record, print what came of it and the folder as the last line; returns the exit code."""
    cv2.setNumThreads(1)  # our own threads use the cores
    _refuse_contradictions(options)
    clock, data = SystemClock(), options.data or data_folder()
    profile = make_profile(options.eyes(), options.both is not None, options.views())
    targets = read_targets(options.targets) if options.targets else ()
    given = read_steps(options.steps) if options.steps else ()
    notes = read_notes(options.notes) if options.notes else ()
    sources = _open_sources(options, profile)
    steps = _within_the_video(sources, given, targets, notes)
    recorder = Recorder(
        profile,
        sources,
        data,
        clock=clock,
        circumstances=options.circumstances(),
        targets=targets,
        events=[*(event for step in steps for event in step.events()), *notes],
        images=options.images,
    )
    with sealing_older(data):
        ran = run(recorder, recorder.frames()[1])
    troubles = tuple(source.problem for source in sources.values() if source.problem)
    return tell(ran.folder, interrupted=ran.interrupted, troubles=troubles)


def _within_the_video(
    sources: Mapping[str, PrivateFile],
    given: Sequence[TimedStep],
    targets: Sequence[Target],
    notes: Sequence[Event],
) -> tuple[TimedStep, ...]:
    """The steps, cut to the video. CommandError, with the sources closed, for times of another clock."""
    try:
        span = common_span(source.info for source in sources.values())
        check_targets(targets, span)
        check_notes(notes, span)
        steps = steps_within(given, span)
    except CommandError:
        _close(sources)
        raise
    for line in step_warnings(given, steps, targets):
        click.echo(f"Warning: {line}", err=True)
    return steps


def _refuse_contradictions(options: RecordOptions) -> None:
    if not options.eyes():
        raise click.UsageError("Name a video: --right, --left, or --both for one picture with both eyes.")
    if options.both and (options.right or options.left):
        raise click.UsageError("--both already holds both eyes: leave out --right and --left.")
    for video, times in (("both", "times"), ("right", "right_times"), ("left", "left_times")):
        if getattr(options, times) and not getattr(options, video):
            raise click.UsageError(f"--{times.replace('_', '-')} belongs to --{video}, which is missing.")
    if options.right and options.left and filecmp.cmp(options.right, options.left, shallow=False):
        raise click.UsageError(
            "--right and --left are the same video. Give each eye its own, or --both with two regions."
        )


def _open_sources(options: RecordOptions, profile: GoggleProfile) -> dict[str, PrivateFile]:
    """One source a video, by the identity of its camera in the profile."""
    if options.both:
        files = [(profile.camera("right").identity, options.both, options.times)]
    else:
        named: list[tuple[Eye, Path | None, Path | None]] = [
            ("right", options.right, options.right_times),
            ("left", options.left, options.left_times),
        ]
        files = [(profile.camera(eye).identity, video, times) for eye, video, times in named if video]
    sources: dict[str, PrivateFile] = {}
    try:
        for identity, video, times in files:
            sources[identity] = PrivateFile(open_video(video, times), identity)
    except BaseException:
        _close(sources)
        raise
    return sources


def _close(sources: Mapping[str, Source]) -> None:
    for source in sources.values():
        source.close()


class Ran(NamedTuple):
    """A recording that was made."""

    folder: Path
    interrupted: bool  # by Ctrl-C


def run(recorder: Recorder, pictures: int | None) -> Ran:
    """Record to the end of the sources and seal, with a bar; Ctrl-C ends it early and loses nothing.

    `pictures`: how many there will be, all eyes together; None where nobody knows.
    """
    with ctrl_c_asks() as asked:
        with working(PREPARING):
            recorder.start()
        try:
            _wait(recorder, pictures, asked)
        finally:  # also when a second Ctrl-C or a fault of the screen ends the waiting
            if asked.is_set() or not recorder.wait(0):
                recorder.stop("stopped by the operator")
            folder = _finish(recorder)
    LOGGER.info("sealed %s after %d pictures", folder.name, recorder.frames()[0])
    return Ran(folder, asked.is_set())


def _wait(recorder: Recorder, pictures: int | None, asked: threading.Event) -> None:
    with bar("Recording", pictures) as advance:
        done = 0
        while not recorder.wait(0.1) and not asked.is_set():
            advance(recorder.frames()[0] - done)
            done = recorder.frames()[0]


def _finish(recorder: Recorder) -> Path:
    with sealing(recorder.folder):
        return recorder.finish()
