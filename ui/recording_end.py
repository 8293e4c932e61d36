"""How a command that recorded ends: sealing, what was cut off earlier, what came of it, exit code."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from recordings.doubts import doubts, seen_share
from recordings.info import RecordingInfo
from recordings.sealed import Recording, open_recording
from recordings.sealing_process import Repair
from ui.command_line import INTERRUPTED
from ui.progress import working

_RATE_FROM = {"measured": "measured times", "nominal": "the video's own times, not proven"}


@contextmanager
def sealing(folder: Path | None) -> Iterator[None]:
    """Around the wait for the seal: anybody who does not wait is told that nothing is lost."""
    try:
        with working("Sealing"):
            yield
    except KeyboardInterrupt:
        click.echo(
            f"\nNot sealed yet, but every sample is safe in {folder}. The next recording seals it.", err=True
        )
        raise


@contextmanager
def sealing_older(data: Path) -> Iterator[None]:
    """Seal in the background what earlier interruptions left in the data folder; say so before and after."""
    repair = Repair(data)
    if repair.waiting:
        click.echo(f"Repairing {repair.waiting} cut off recording(s) in the background.", err=True)
    try:
        yield
    finally:
        repair.wait()
        for left in repair.found:
            click.echo(
                left.problem or f"An earlier recording was cut off; it is sealed now: {left.folder}", err=True
            )


def tell(folder: Path, *, interrupted: bool, troubles: tuple[str, ...] = ()) -> int:
    """Print what is in a sealed recording, and its folder as the last line; the exit code."""
    with open_recording(folder) as recording:
        click.echo(recording_text(recording))
        for line in _live_lines(recording.info) if recording.info.live else []:
            click.echo(line)
        complete = recording.complete
    for trouble in troubles:
        click.echo(f"Error: {trouble}", err=True)
    click.echo(folder)
    return INTERRUPTED if interrupted else int(not complete)


def recording_text(recording: Recording) -> str:
    """Frames counted, rate, how often a pupil was seen, calibration and direction check of each eye."""
    lines = []
    for eye, stream in recording.info.eyes.items():
        frames = f"{stream.frames} frame{'' if stream.frames == 1 else 's'}"
        rate = "rate not known"
        if stream.measured_rate_hz > 0:  # neither NaN nor pictures that are all the same
            rate = f"{stream.measured_rate_hz:.2f} frames/s by {_RATE_FROM[stream.times]}"
        lines += [
            f"{eye.capitalize()} eye: {frames}, {stream.lost} lost, {stream.repeated} repeated, {rate}; "
            f"a pupil in {seen_share(recording.samples[eye]):.0%} of them",
            recording.calibrations[eye].summary(),
        ]
    lines += [f"Warning: {text}" for text in doubts(recording)]
    if not recording.complete:
        lines.append(f"Not complete: {recording.info.ending}. What came before is sealed.")
    return "\n".join(lines)


def _live_lines(info: RecordingInfo) -> list[str]:
    """What a live recording rules out, and what is not proven about it."""
    lines = []
    for eye, stream in info.eyes.items():
        lines += [
            f"{eye.capitalize()} eye: {text}" for text in (stream.clock_reason, stream.ruled_out) if text
        ]
        if stream.pictures_dropped:
            lines.append(f"{eye.capitalize()} eye: {stream.pictures_dropped} pictures were not kept.")
    if info.pair_ruled_out:
        lines.append(info.pair_ruled_out)
    if len(info.eyes) == 2:
        lines.append(f"Which eye is which: {info.eye_identity}.")
    if info.bench:
        lines.append("Bench recording: no patient may wear these goggles.")
    return lines
