"""Runs a phantom recording through the command line and scores what comes out against its truth.

Nothing of the truth enters the chain but the targets (shifted to host time by the recording's median delay),
the frame times and the mirror flag.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass, field
from pathlib import Path

import h5py
import numpy as np
from click.testing import CliRunner
from numpy.typing import NDArray

from capture.calibration import calibrate, degrees
from capture.profile import EyeView, MountGeometry
from capture.samples import SAMPLE_DTYPE, Eye, Target
from ui.command_line import main

LETTER: dict[Eye, str] = {"right": "R", "left": "L"}
BEAT_WORD = {
    ("h", 1): "right",
    ("h", -1): "left",
    ("v", 1): "up",
    ("v", -1): "down",
    ("t", 1): "upper_pole_right",
    ("t", -1): "upper_pole_left",
}


@dataclass(frozen=True)
class Case:
    """What a recorder would know of a phantom recording."""

    folder: Path
    about: dict
    eyes: tuple[Eye, ...]

    def delay_s(self, eye: Eye) -> float:
        """Median time from the middle of the exposure to the arrival at the host."""
        with h5py.File(self.folder / "truth.h5", "r") as file:
            group = file[LETTER[eye]]
            return float(np.nanmedian(group["host_time"][:] - group["exposure_mid"][:]))

    def targets(self, eye: Eye) -> tuple[Target, ...]:
        """Calibration targets in host time."""
        delay = self.delay_s(eye)
        return tuple(
            Target(s["start"] + delay, s["end"] + delay, s["h"], s["v"])
            for s in self.about["segments"]
            if s["name"] == "calibration_target"
        )

    def truth(self, eye: Eye) -> dict[str, NDArray]:
        """Per-frame truth of the frames that are in the video, in order of their number there."""
        with h5py.File(self.folder / "truth.h5", "r") as file:
            columns = {name: data[:] for name, data in file[LETTER[eye]].items()}
        kept = columns["video_frame"] >= 0
        order = np.argsort(columns["video_frame"][kept])
        return {name: column[kept][order] for name, column in columns.items()}


def read_case(folder: Path) -> Case:
    """Read what is known of the recording in `folder`."""
    about = json.loads((folder / "case.json").read_text())
    eyes: tuple[Eye, ...] = tuple(e for e in ("right", "left") if LETTER[e] in about["eyes"])
    return Case(folder, about, eyes)


def driftbeat(*words: str | Path) -> str:
    """Run a command of the command line in this process; its output. Fails the test on an error."""
    result = CliRunner().invoke(main, [str(w) for w in words], catch_exceptions=False)
    assert result.exit_code == 0, f"driftbeat {' '.join(map(str, words))}\n{result.output}"
    return result.output


def _table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def run_chain(case: Case, out: Path) -> Path:
    """Record, analyse, report, export; the folder of the export."""
    out.mkdir(parents=True, exist_ok=True)
    targets = out / "targets.csv"
    rows = ["start_s,end_s,horizontal_deg,vertical_deg"]
    rows += [",".join(f"{value:.6f}" for value in target) for target in case.targets(case.eyes[0])]
    targets.write_text("\n".join(rows) + "\n")
    words: list[str | Path] = ["record", "--patient", "HL-0007", "--data", out / "data", "--targets", targets]
    for eye in case.eyes:
        letter = LETTER[eye]
        words += [f"--{eye}", next(case.folder.glob(f"video_{letter}.*"))]
        words += [f"--{eye}-times", case.folder / f"frames_{letter}.csv.gz"]
    if case.about["mirrored"]:
        words.append("--mirrored")
    recording = driftbeat(*words).strip().splitlines()[-1]
    driftbeat("analyse", recording)
    driftbeat("report", recording, "--out", out / "report.pdf")
    driftbeat("export", recording, "--out", out / "export")
    return out / "export"


@dataclass
class BeatScore:
    """How the labelled beats agree with the true ones."""

    hits: int = 0
    missed: list[float] = field(default_factory=list)
    false: list[float] = field(default_factory=list)
    wrong_direction: int = 0
    velocity_error_dps: list[float] = field(default_factory=list)
    velocity_true_dps: list[float] = field(default_factory=list)

    def add(self, other: BeatScore) -> None:
        """Pool another score into this one."""
        self.hits += other.hits
        self.missed += other.missed
        self.false += other.false
        self.wrong_direction += other.wrong_direction
        self.velocity_error_dps += other.velocity_error_dps
        self.velocity_true_dps += other.velocity_true_dps

    @property
    def errors(self) -> int:
        """Missed and false beats."""
        return len(self.missed) + len(self.false)

    @property
    def f1(self) -> float:
        """F1 of the beats; 1 where there was nothing to find and nothing was found."""
        return 2 * self.hits / (2 * self.hits + self.errors) if self.hits + self.errors else 1.0

    @property
    def velocity_median_error(self) -> tuple[float, float]:
        """Median absolute error of slow-phase velocity: deg/s, and as a share of the true one."""
        if not self.hits:
            return float("nan"), float("nan")
        error, true = np.abs(self.velocity_error_dps), np.abs(self.velocity_true_dps)
        return float(np.median(error)), float(np.median(error / true))


def score_beats(case: Case, export: Path, eye: Eye) -> BeatScore:
    """Compare `beats.csv` of the export with the truth, inside the windows where beats make sense."""
    delay = case.delay_s(eye)
    zero = json.loads((export / "recording.json").read_text())["host_time_of_zero_s"]
    shift = delay - zero
    windows = [(a + shift, b + shift) for a, b in case.about["beat_windows_s"]]
    tolerance = max(0.030, 1.5 / case.about["fps"])
    inside = [
        b
        for b in _table(export / "beats.csv")
        if b["eye"] == eye
        and b["accepted"].lower() == "true"
        and any(start <= float(b["quick_start_s"]) <= end for start, end in windows)
    ]
    true = [t for t in _table(case.folder / "beats.csv") if t["eye"] in ("both", LETTER[eye])]
    return _match(true, inside, shift, tolerance, windows)


def _hidden(beat: dict[str, str]) -> bool:
    return beat["in_blink"] == "True" or beat["pupil_hidden"] == "True"


def _match(true: list[dict], found: list[dict], shift: float, tolerance: float, windows: list) -> BeatScore:
    score, free = BeatScore(), list(found)
    for beat in sorted(true, key=_hidden):  # beats that nobody can see only excuse what is left over
        start = float(beat["quick_start"]) + shift
        near = [f for f in free if abs(float(f["quick_start_s"]) - start) <= tolerance]
        words = {BEAT_WORD[a, int(beat[f"dir_{a}"])]: a for a in "hvt" if int(beat[f"dir_{a}"])}
        hit = min(
            (f for f in near if f["direction"] in words),
            key=lambda f: abs(float(f["quick_start_s"]) - start),
            default=None,
        )
        if _hidden(beat):
            free = [f for f in free if f not in near]
            continue
        if not any(a <= start <= b for a, b in windows):
            continue
        if hit is None:
            score.missed.append(start)
            score.wrong_direction += bool(near)
            continue
        free.remove(hit)
        score.hits += 1
        axis = words[hit["direction"]]
        name = {"h": "horizontal", "v": "vertical", "t": "torsional"}[axis]
        measured, real = float(hit[f"slow_phase_velocity_{name}_dps"]), float(beat[f"spv_{axis}"])
        score.velocity_error_dps.append(measured - real)
        score.velocity_true_dps.append(real)
    score.false = [float(f["quick_start_s"]) for f in free]
    return score


@dataclass(frozen=True)
class DegreeScore:
    """How measured degrees agree with the true gaze, over frames with the pupil at least 60 % visible."""

    unanswered_share: float
    gain: tuple[float, float]
    rms_deg: tuple[float, float]
    reference_gain: tuple[float, float]  # the same calibration fed the true pupil centres
    reference_rms_deg: tuple[float, float]
    torsion_rms_deg: float
    torsion_answered_share: float
    torsion_within: dict[float, tuple[float, float, float]]  # gaze, deg: RMS, slope, share answered
    noise_deg: tuple[float, float]  # of one sample, from how errors of neighbouring frames differ
    pupil_error_px: NDArray  # (n,) distance of the centre from the true one


def score_degrees(case: Case, export: Path, eye: Eye) -> DegreeScore:
    """Compare `samples_<eye>.csv` of the export with the truth."""
    truth = case.truth(eye)
    rows = _table(export / f"samples_{eye}.csv")
    assert [int(r["frame"]) for r in rows] == list(truth["video_frame"]), "one row a frame of the source"
    assert all(r["calibrated"].lower() == "true" for r in rows), "calibrated from its targets"
    numbers = [name for name in rows[0] if name not in ("calibrated", "direction_proven")]
    column = {name: np.array([float(row[name] or "nan") for row in rows]) for name in numbers}
    good = (truth["pupil_visible"] >= 0.6) & ~truth["slipped"].astype(bool)
    answered = good & np.isfinite(column["x_px"])
    gaze = np.column_stack([truth["h"], truth["v"]])
    measured = np.column_stack([column["horizontal_deg"], column["vertical_deg"]])
    reference = _reference_degrees(case, eye, truth)
    torsion = column["torsional_deg"] - truth["t"]
    torsion_seen = answered & np.isfinite(torsion)
    eccentric_deg = np.hypot(truth["h"], truth["v"])
    within = {
        limit_deg: _score_torsion(torsion, truth["t"], torsion_seen, good & (eccentric_deg < limit_deg))
        for limit_deg in (5.0, 15.0)
    }
    torsion = (
        torsion[torsion_seen] - np.median(torsion[torsion_seen]) if torsion_seen.any() else np.array([np.nan])
    )
    return DegreeScore(
        unanswered_share=float(1 - answered.sum() / good.sum()),
        gain=_gain(gaze[answered], measured[answered]),
        rms_deg=_rms(gaze[answered], measured[answered]),
        reference_gain=_gain(gaze[answered], reference[answered]),
        reference_rms_deg=_rms(gaze[answered], reference[answered]),
        torsion_rms_deg=float(np.std(torsion)) if torsion.size else float("nan"),
        torsion_answered_share=float(torsion_seen.sum() / good.sum()),
        torsion_within=within,
        noise_deg=_noise(np.where(answered[:, None], measured - gaze, np.nan)),
        pupil_error_px=np.hypot(column["x_px"] - truth["ell_x"], column["y_px"] - truth["ell_y"])[answered],
    )


def _reference_degrees(case: Case, eye: Eye, truth: dict[str, NDArray]) -> NDArray:
    """Gaze that our calibration gives when it is fed the true pupil centres, (n, 2) deg."""
    samples = np.zeros(len(truth["h"]), SAMPLE_DTYPE)
    for name in samples.dtype.names or ():
        samples[name] = np.nan if samples.dtype[name].kind == "f" else 0
    seen = truth["pupil_visible"] >= 0.3
    samples["frame"], samples["time_s"] = truth["video_frame"], truth["host_time"]
    for ours, theirs in (("x_px", "ell_x"), ("y_px", "ell_y"), ("major_px", "ell_a"), ("minor_px", "ell_b")):
        samples[ours] = np.where(seen, truth[theirs], np.nan)
    samples["angle_deg"], samples["visible_share"] = truth["ell_angle"] % 180, truth["pupil_visible"]
    samples["pupil_quality"] = seen.astype(float)
    view = EyeView(eye, mirrored=bool(case.about["mirrored"]))
    width, height = case.about["size"]
    calibration = calibrate(case.targets(eye), samples, view, MountGeometry(), (width, height))
    assert calibration.calibrated
    return degrees(calibration, samples["x_px"], samples["y_px"], samples["rotation_deg"])[:, :2]


def _gain(true: NDArray, measured: NDArray) -> tuple[float, float]:
    """Slope of measured on true gaze, horizontal and vertical."""
    slopes = [np.polyfit(true[:, axis], measured[:, axis], 1)[0] for axis in (0, 1)]
    return float(slopes[0]), float(slopes[1])


def _score_torsion(
    error: NDArray, true: NDArray, seen: NDArray, asked: NDArray
) -> tuple[float, float, float]:
    """RMS of the error about its mean (the reference says where zero is), slope, share answered."""
    used = seen & asked
    if used.sum() < 2:
        return float("nan"), float("nan"), 0.0
    slope = 1.0 + np.polyfit(true[used], error[used], 1)[0]
    return float(np.std(error[used])), float(slope), float(used.sum() / asked.sum())


def _noise(error: NDArray) -> tuple[float, float]:
    """Standard deviation of one sample's error, deg, apart from what neighbouring frames share."""
    noise = np.sqrt(np.nanmean(np.diff(error, axis=0) ** 2, axis=0) / 2.0)
    return float(noise[0]), float(noise[1])


def _rms(true: NDArray, measured: NDArray) -> tuple[float, float]:
    """Root mean square difference, deg, horizontal and vertical."""
    rms = np.sqrt(np.mean((measured - true) ** 2, axis=0))
    return float(rms[0]), float(rms[1])
