"""One run of `driftbeat live`: opens cameras, says what they deliver, records, seals."""

from __future__ import annotations

import logging
import math
import sys
import threading
import time
from collections.abc import Mapping
from datetime import date

import click
import cv2

from capture.clock import SystemClock
from capture.light_gate import light_gate
from capture.open_source import SIMULATED
from capture.rate import STRETCHED
from capture.samples import Eye
from capture.targets import read_targets
from recordings.commands import GogglesPlan, Start
from recordings.errors import StorageError
from recordings.info import Circumstances, Region
from recordings.live_recorder import LiveRecorder
from recordings.recorder_process import end_orphans
from recordings.status import Status
from ui.ctrl_c import ctrl_c_asks
from ui.first_run import choose_data_folder
from ui.known_goggles import remember_goggles
from ui.known_profiles import profile_warnings, remember_profile
from ui.live_sources import LiveOptions, choose_sources
from ui.log import data_folder
from ui.progress import working
from ui.recording_end import sealing, sealing_older, tell
from ui.recording_run import PREPARING
from ui.steps_file import read_steps

LOGGER = logging.getLogger(__name__)

LOOK_S = 0.1  # between two looks at the recorder
SHOW_S = 0.5  # between two lines of how it is
RATE_S = 5.0  # to wait for the first measured rate
COVER_S = 2.0  # of both eyes open, of the hand's way, and of one eye covered


def record_live(options: LiveOptions) -> int:
    """Record, print what came of it and the folder as the last line; returns the exit code."""
    if bool(options.patient) == options.bench:
        raise click.UsageError("Say whom: --patient CODE, or --bench for a recording without a patient.")
    cv2.setNumThreads(1)  # our own threads use the cores
    profile, sources = choose_sources(options.profile, options.right, options.left, options.both)
    light_gate(profile, options.light_limit)  # refuses a limit that may not be, before anything is opened
    data = options.data or choose_data_folder(data_folder())
    for line in profile_warnings(profile, data, date.today()) if options.profile else []:
        click.echo(line, err=True)
    if options.profile:
        remember_goggles(options.profile)
    end_orphans(data)  # frees the cameras of a window that died
    clock = SystemClock()
    plan = GogglesPlan(profile, sources, data, options.settings(), options.light_limit)
    with sealing_older(data), LiveRecorder(plan, clock=clock) as recorder:
        with working(PREPARING):
            recorder.open()
        _say_what_is_there(recorder, options)
        if options.cover:
            _cover(recorder, options.cover, clock)
        crops_px = _crops(recorder, list(sources)) if options.crop else {}
        code = _record(recorder, _asked(options, sources, crops_px, clock.now_s()), options.seconds)
    if options.profile:
        remember_profile(profile, data)
    return code


def _asked(
    options: LiveOptions, sources: Mapping[str, str], crops_px: Mapping[str, Region], now_s: float
) -> Start:
    """What is to be recorded; targets and steps count from now."""
    targets = read_targets(options.targets) if options.targets else ()
    steps = read_steps(options.steps) if options.steps else ()
    circumstances = Circumstances(
        patient_code=options.patient or "",
        birth_year=options.year_of_birth,
        operator=options.operator or "",
        site=options.site,
        training=all(text.startswith(SIMULATED) for text in sources.values()),
    )
    return Start(
        circumstances,
        targets=tuple(t._replace(start_s=t.start_s + now_s, end_s=t.end_s + now_s) for t in targets),
        events=tuple(event for step in steps for event in step.events(now_s)),
        images=options.images,
        quality=options.quality,
        crops_px=crops_px,
        seconds=options.seconds,
    )


def _say_what_is_there(recorder: LiveRecorder, options: LiveOptions) -> None:
    """What the cameras really deliver, the light, and the room on the disk, before anything is recorded."""
    end_s = time.monotonic() + RATE_S
    while any(camera.rate_hz is None for camera in recorder.status().cameras) and time.monotonic() < end_s:
        time.sleep(LOOK_S)
    for camera, source in zip(recorder.status().cameras, recorder.sources(), strict=True):
        rate = "rate not measured" if camera.rate_hz is None else f"{camera.rate_hz:.1f} pictures/s"
        info = source.info
        click.echo(f"{' and '.join(camera.eyes)}: {info.name}, {info.width_px}x{info.height_px}, {rate}")
        for line in (*source.settings.differences(), *camera.cautions, *camera.ruled_out):
            click.echo(f"  {line}")
    if reason := recorder.light().reason:
        click.echo(reason, err=True)
    per_s = recorder.bytes_per_s(options.images)
    click.echo(
        f"About {per_s / 1e6:.1f} MB/s, {per_s * 3600 / 1e9:.1f} GB an hour; the disk has room for "
        f"{recorder.hours_left(options.images):.1f} hours."
    )


def _cover(recorder: LiveRecorder, eye: Eye, clock: SystemClock) -> None:
    click.echo("Both eyes open.", err=True)
    time.sleep(COVER_S)
    opened_s = clock.now_s()
    click.echo(f"Cover the {eye} eye now, and keep it covered.", err=True)
    time.sleep(2 * COVER_S)
    covered_s = clock.now_s()
    verdict = recorder.judge_cover(eye, (opened_s - COVER_S, opened_s), (covered_s - COVER_S, covered_s))
    click.echo(f"Which eye is which: {verdict.identity}. {verdict.reason}")
    click.echo("Uncover the eye.", err=True)


def _crops(recorder: LiveRecorder, identities: list[str]) -> dict[str, Region]:
    crops = {identity: recorder.crop_px(identity) for identity in identities}
    for identity, crop in crops.items():
        if crop is None:
            click.echo(f"{identity}: the whole picture is kept.", err=True)
    return {identity: crop for identity, crop in crops.items() if crop is not None}


def _record(recorder: LiveRecorder, asked: Start, seconds: float | None) -> int:
    """Record until it is to end, seal, tell; Ctrl-C and a closed terminal end it in good order."""
    with ctrl_c_asks() as stop:
        folder = recorder.start(asked)
        try:
            _watch(recorder, time.monotonic() + seconds if seconds else math.inf, stop)
        finally:
            early = stop.is_set() and seconds is not None
            with sealing(folder):
                _end(recorder, "stopped by the operator" if early else "")
    if problems := recorder.status().unsealed:
        for problem in problems:
            click.echo(f"Error: {problem}", err=True)
        return 1
    return tell(folder, interrupted=early)


def _end(recorder: LiveRecorder, reason: str) -> None:
    click.echo("", err=True)
    try:
        recorder.stop(reason, last=True)
    except StorageError as error:
        click.echo(f"Error: {error}", err=True)
    LOGGER.info("recorded %s", recorder.status().sealing)
    recorder.close()


def _watch(recorder: LiveRecorder, end_s: float, stop: threading.Event) -> None:
    """Show how it goes until the time is over, it is to stop, or the disk has ended it."""
    key = _stop_key()
    click.echo(
        "Recording. Press Enter or Ctrl-C to stop." if key else "Recording. Ctrl-C stops it.", err=True
    )
    said: set[str] = set()
    next_s = 0.0
    while time.monotonic() < end_s and not stop.is_set() and not (key and key.is_set()):
        status = recorder.status()
        if status.state == "broken off":
            return
        if time.monotonic() >= next_s:
            next_s = time.monotonic() + SHOW_S
            _show(status, said)
        time.sleep(LOOK_S)


def _show(status: Status, said: set[str]) -> None:
    """One line that is written over, and each new trouble once."""
    troubles = _troubles(status)
    for kind, text in troubles.items():
        if kind not in said:
            click.echo(f"\n{text}", err=True)
    said.clear()
    said.update(troubles)
    if not sys.stderr.isatty():
        return
    rates = " ".join(f"{'/'.join(c.eyes)} {c.rate_hz or 0:.1f}/s, {c.lost} lost" for c in status.cameras)
    saved = f"saved up to {status.journal.unsaved_s:.1f} s ago" if status.journal else ""
    click.echo(f"\r{status.recorded_s:6.1f} s  {rates}  {saved}   ", err=True, nl=False)


def _troubles(status: Status) -> dict[str, str]:
    """What is wrong right now, by a key that stays the same while it lasts."""
    troubles = {problem: problem for problem in status.problems}
    for camera in status.cameras:
        if camera.signal != "good":
            troubles[camera.identity + camera.signal] = (
                f"{camera.identity} is {camera.signal}: no new picture for {camera.silence_s:.1f} s. "
                f"{camera.problem or 'Check its cable.'}"
            )
        if camera.stretched:
            troubles[camera.identity + "stretched"] = f"{camera.identity}: {STRETCHED}"
        if camera.untracked:
            troubles["untracked"] = "The computer is too slow: some frames have no pupil."
    if status.journal and status.journal.pictures_dropped:
        troubles["dropped"] = "The disk is too slow: pictures are dropped, samples are kept."
    return troubles


def _stop_key() -> threading.Event | None:
    """Set when Enter is pressed; None where nobody sits at a terminal."""
    if not sys.stdin.isatty():
        return None
    pressed = threading.Event()

    def wait() -> None:
        sys.stdin.readline()
        pressed.set()

    threading.Thread(target=wait, name="stop key", daemon=True).start()
    return pressed
