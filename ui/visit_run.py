"""One run of `driftbeat visit`: what the window needs from the system, then the window."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from importlib import import_module
from pathlib import Path

import click
import msgspec

from capture.clock import SystemClock
from capture.open_source import SIMULATED
from capture.samples import EYES
from recordings.commands import GogglesPlan
from recordings.errors import UnsealedError
from recordings.owner import Owner
from recordings.recorder_process import RecorderProcess, end_orphans
from recordings.sealing_process import Repair
from ui.compile_ahead import compile_all
from ui.first_run import choose_data_folder
from ui.known_profiles import profile_warnings, remember_profile
from ui.live_sources import choose_sources
from ui.log import data_folder
from ui.messages import CommandError
from ui.progress import working
from ui.qt_libraries import missing_qt_libraries
from ui.recording_run import PREPARING
from ui.visit.entering import TRAINING_CODE
from ui.visit.visit import Visit
from ui.voice import aloud_of_system

INVENTED = "right posterior canal"  # the patient that practice begins with, of capture.simulation.patterns
INVENTED_EYES = tuple(f"{SIMULATED}{eye}:{INVENTED}" for eye in EYES)
WINDOW = "window"  # in the data folder: whose window is open


def run_visit(
    profile_file: Path | None,
    right: str | None,
    left: str | None,
    both: str | None,
    light_limit: float | None,
    data: Path | None,
) -> int:
    """Open the window and stay until it is closed; returns the exit code."""
    if importlib.util.find_spec("pyqtgraph") is None:
        raise CommandError("The window's libraries are missing: pip install 'driftbeat[window]'.")
    if missing := missing_qt_libraries(screen=True):
        raise CommandError(missing)
    profile, sources = choose_sources(profile_file, right, left, both)
    data = data or choose_data_folder(data_folder())
    visit = Visit(
        SystemClock(),
        GogglesPlan(profile, sources, data, clinic_limit_w_m2=light_limit),
        RecorderProcess,
        aloud_of_system(),
    )
    for line in profile_warnings(profile, data, date.today()) if profile_file else []:
        visit.tell("profile", line)
        click.echo(line, err=True)
    if all(text.startswith(SIMULATED) for text in sources.values()):
        visit.training = INVENTED
        visit.patient = msgspec.structs.replace(visit.patient, training=True, patient_code=TRAINING_CODE)
    with _only_window(data):
        if profile_file:
            remember_profile(profile, data)
        end_orphans(data)
        repair = Repair(data)
        with working(PREPARING):
            compile_all(lambda: import_module("ui.window.run"))  # Qt, only now that it is known to start
        from ui.window.run import run

        code = run(visit)
        repair.wait()
    return code


@contextmanager
def _only_window(data: Path) -> Iterator[None]:
    """Two windows on one data folder would fight for the cameras."""
    folder = data / WINDOW
    folder.mkdir(parents=True, exist_ok=True)
    try:
        owner = Owner(folder)
    except UnsealedError as error:
        raise CommandError(
            f"A window of Driftbeat is open already on {data}. Go on there, or close it first."
        ) from error
    try:
        yield
    finally:
        owner.release()
