"""One run of `driftbeat visit`: what the window needs from the system, then the window."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

import click
import msgspec

from capture.clock import SystemClock
from capture.light_gate import light_gate
from capture.open_source import SIMULATED
from capture.profile import CameraProfile, EyeView, GoggleProfile
from capture.samples import EYES
from recordings.commands import GogglesPlan
from recordings.errors import RecordingError, UnsealedError
from recordings.owner import Owner
from recordings.recorder_process import RecorderProcess, end_orphans
from recordings.sealing_process import Repair
from ui.compile_ahead import Ahead, compile_measuring
from ui.first_run import choose_data_folder
from ui.known_goggles import known_goggles, take_up
from ui.live_sources import choose_sources
from ui.log import data_folder
from ui.messages import CommandError
from ui.qt_libraries import missing_qt_libraries
from ui.visit.entering import TRAINING_CODE
from ui.visit.goggles import NONE_KNOWN, Goggles
from ui.visit.visit import Visit
from ui.voice import aloud_of_system

INVENTED = "right posterior canal"  # the patient that practice begins with, of capture.simulation.patterns
INVENTED_EYES = tuple(f"{SIMULATED}{eye}:{INVENTED}" for eye in EYES)
NO_GOGGLES = GoggleProfile("no goggles", tuple(CameraProfile(f"none-{eye}", (EyeView(eye),)) for eye in EYES))
GETTING_READY = (
    "Getting ready: the first start on a computer takes some minutes. It may be closed at any time."
)
WINDOW = "window"  # in the data folder: whose window is open


def run_visit(
    profile_file: Path | None,
    right: str | None,
    left: str | None,
    both: str | None,
    light_limit: float | None,
    data: Path | None,
) -> int:
    """Open the window and stay until it is closed; returns the exit code.

    Without a profile or a source the goggles are those that were used last.
    """
    if importlib.util.find_spec("pyqtgraph") is None:
        raise CommandError("The window's libraries are missing: pip install 'driftbeat[window]'.")
    if missing := missing_qt_libraries(screen=True):
        raise CommandError(missing)
    named = None
    if profile_file or right or left or both:
        named = choose_sources(profile_file, right, left, both)
    light_gate(NO_GOGGLES, light_limit)  # refuses a limit that may not be, before a window is opened
    data = data or choose_data_folder(data_folder())
    none = GogglesPlan(NO_GOGGLES, {}, data, clinic_limit_w_m2=light_limit)
    goggles = known_goggles(none)
    if named is not None:
        plan = replace(none, profile=named[0], sources=named[1])
        others = (one for one in goggles if profile_file is None or one.file != profile_file.resolve())
        goggles = (Goggles(plan.profile.name, plan, profile_file), *others)
    with only_window(data):
        from ui.window.run import run  # Qt, only now that it is known to start

        visit = _visit(goggles, none)
        code = run(visit, partial(get_ready, visit))
        if visit.repair is not None:
            visit.repair.wait()
    return code


def _visit(goggles: tuple[Goggles, ...], none: GogglesPlan) -> Visit:
    """With the first of the goggles; with none where there are none, or the first cannot be used."""
    first = goggles[0] if goggles else Goggles("", None)
    visit = Visit(SystemClock(), first.plan or none, _open, aloud_of_system())
    visit.goggles = goggles
    for line in take_up(first):
        visit.tell("profile", line)
        click.echo(line, err=True)
    sources = visit.plan.sources.values()
    if sources and all(text.startswith(SIMULATED) for text in sources):
        visit.training = INVENTED
        visit.patient = msgspec.structs.replace(visit.patient, training=True, patient_code=TRAINING_CODE)
    return visit


def _open(plan: GogglesPlan) -> RecorderProcess:
    if not plan.sources:
        raise RecordingError(NONE_KNOWN)
    return RecorderProcess(plan)


def get_ready(visit: Visit) -> None:
    """What takes longer than a person waits for a window, in the background; then the cameras open."""
    data = visit.plan.data_folder
    visit.tell("ready", GETTING_READY)
    visit.orders.ask(lambda: (Repair(data), end_orphans(data)), lambda found: visit.mend(*found))
    visit.ahead = ahead = Ahead(
        "tracking", "reading", "measuring", *(("painting",) if visit.training else ())
    )
    visit.orders.ask(lambda: _take_up_kernels(ahead), lambda _: visit.tell("ready", ""))
    visit.open()


def _take_up_kernels(ahead: Ahead) -> None:
    """What the processes have compiled, this one loads from the disk."""
    ahead.wait()
    if not ahead.ended:
        compile_measuring()


@contextmanager
def only_window(data: Path) -> Iterator[None]:
    """Two windows on one data folder would fight for the cameras."""
    folder = data / WINDOW
    folder.mkdir(parents=True, exist_ok=True)
    try:
        owner = Owner(folder)
    except UnsealedError as error:
        from ui.window.run import tell  # Qt, only now that it is known to start

        said = (
            f"A window of Driftbeat is open already on {data}. Go on there, or close it first. "
            "If it was closed just now, wait some seconds and start again."
        )
        tell("DRIFTBEAT IS OPEN ALREADY", said)
        raise CommandError(said) from error
    try:
        yield
    finally:
        owner.release()
