"""The demonstration: an invented patient goes the whole way, and the truth stands beside the measurement."""

from __future__ import annotations

import time
from pathlib import Path

import click
import cv2

from analysis.analyse import analyse_recording
from analysis.report import report_content
from capture.clock import Clock, SystemClock
from capture.profile import CameraProfile, GoggleProfile
from capture.samples import EYES
from capture.simulation.patient import SimulatedPatient
from capture.simulation.scenario import Hold, LookAt, Nystagmus, Scenario
from recordings.errors import RecordingError
from recordings.event import Event
from recordings.info import Circumstances
from recordings.recorder import Recorder
from recordings.sealed import Recording, open_recording
from ui.command_line import INTERRUPTED
from ui.commands.export import write_export
from ui.compile_ahead import compile_all
from ui.log import data_folder
from ui.progress import working
from ui.recording_end import recording_text
from ui.recording_run import PREPARING, run
from ui.report import write_pdf, write_trace_picture
from ui.simulated_truth import comparison_text

CLINIC = "Harbour Lane Balance Clinic"
PATIENT = "HL-0007"
BIRTH_YEAR = 1964
SEED = 7
# Slow phases to the patient's right, a little up, upper pole to the right: left-beating with torsion, mostly
# gone while the eye fixates. Invented.
NYSTAGMUS = Nystagmus((12.0, 1.5, 3.0), beats_per_s=2.0, variation=0.1)
LEFT_BY_FIXATION = 0.25
TARGET_S = 1.2


def demonstrate(out: Path | None, seconds: float, truth: bool) -> int:
    """Simulate, record, analyse, print; returns the exit code.

    Raises RecordingError when `out` holds something already.
    """
    began_s = time.perf_counter()
    cv2.setNumThreads(1)  # our own threads use the cores
    out = _new_folder(out)
    clock = SystemClock()
    click.echo(f"Training: invented patient {PATIENT}, {CLINIC}. Nobody was measured.")
    with working(PREPARING):
        patient = compile_all(lambda: _painted_once(seconds, clock))
    ran = run(recorder_of(patient, out / "recordings", clock), patient.frame_count() * len(EYES))
    if ran.interrupted:
        click.echo(f"What was recorded is sealed in {ran.folder}", err=True)
        return INTERRUPTED
    with open_recording(ran.folder) as recording:
        click.echo(recording_text(recording))
        _finish(recording, patient, out)
    if truth:
        (out / "truth").mkdir()
        patient.write_truth(out / "truth")
        click.echo(f"  truth      {out / 'truth'}")
    click.echo(f"Took {time.perf_counter() - began_s:.0f} s.")
    return 0


def _painted_once(seconds: float, clock: Clock) -> SimulatedPatient:
    """The patient, once every kernel that paints them is compiled."""
    patient = simulated_patient(seconds, clock)
    patient.source("right").read()
    return patient


def simulated_patient(seconds: float, clock: Clock) -> SimulatedPatient:
    """Calibration, then `seconds` of nystagmus in the dark and as long with fixation; the same each time."""
    scenario = Scenario(
        (
            LookAt(hold_s=TARGET_S, nystagmus=NYSTAGMUS, suppression=LEFT_BY_FIXATION),
            Hold(seconds, "dark", nystagmus=NYSTAGMUS),
            Hold(seconds, "fixation", nystagmus=NYSTAGMUS, suppression=LEFT_BY_FIXATION),
        )
    )
    return SimulatedPatient(scenario, SEED, rate_hz=250.0, size=(320, 240), start_s=clock.now_s())


def recorder_of(patient: SimulatedPatient, data: Path, clock: Clock) -> Recorder:
    """A recorder before the simulated goggles; targets and steps are what the patient was asked to do."""
    cameras = tuple(
        CameraProfile(f"simulated-{eye}", (patient.view(eye),), patient.geometry(eye)) for eye in EYES
    )
    return Recorder(
        GoggleProfile("simulated goggles", cameras),
        {f"simulated-{eye}": patient.source(eye) for eye in EYES},
        data,
        clock=clock,
        circumstances=Circumstances(patient_code=PATIENT, birth_year=BIRTH_YEAR, site=CLINIC, training=True),
        targets=patient.targets(),
        events=[Event(start_s, end_s, "step", light) for start_s, end_s, light in patient.steps()[1:]],
    )


def _new_folder(out: Path | None) -> Path:
    if out is None:
        out = data_folder() / "demo" / time.strftime("%Y%m%d-%H%M%S", time.gmtime())
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise RecordingError(f"{out} exists already; nothing there was touched. Choose a new folder.")
    out.mkdir(parents=True, exist_ok=True)
    return out


def _finish(recording: Recording, patient: SimulatedPatient, out: Path) -> None:
    """Analyse, write report, picture and tables, and print the comparison."""
    with working("Analysing"):
        result = analyse_recording(recording, recording.info.birth_year)
    with working("Writing the report"):
        content = report_content(recording, result, clinic=recording.info.site)
        write_pdf(content, out / "report.pdf")
        write_trace_picture(content, out / "trace.png")
    write_export(recording, result, out / "tables")
    click.echo("\n" + comparison_text(patient.truth, result, recording.info.host_time_of_zero_s))
    click.echo("\nLeft for you (simulated, for training):")
    for name, path in (
        ("recording", recording.folder),
        ("report", out / "report.pdf"),
        ("picture", out / "trace.png"),
        ("tables", out / "tables"),
    ):
        click.echo(f"  {name:<10} {path}")
