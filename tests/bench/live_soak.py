"""Proof of the live recorder at full load: `python -m tests.bench.live_soak --seconds 600`.

Two eyes of 320x240 at 250 pictures/s, pictures kept, torsion on, the recorder in its own process, this one in
the place of a window. Source `loopback`: two cameras as processes of their own, whose own logs and picture
hashes are compared with the sealed file. Source `simulated`: cameras in the recorder whose pictures were
painted beforehand. Ends with code 1 where a budget is missed. `--climb` raises the rate step by step instead
and says where frames begin to be lost, or trackers to fall behind.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from capture.live import CameraSettings
from capture.samples import EYES, Eye
from capture.simulation.still import still
from recordings.commands import GogglesPlan, Start
from recordings.info import Circumstances
from recordings.recorder_process import RecorderProcess
from recordings.sealed import open_recording
from recordings.status import Status
from tests.faults.live import compare_with_sender, goggles
from tests.faults.loopback_camera import read_log
from tests.faults.loopback_process import camera_process

MEDIAN_MS, HIGH_MS = 2.0, 5.0  # from the sender's stamp to the sample readable here
GROWTH_MIB = 20.0  # after the first minute
POLL_S = 0.2e-3
TICKS_S = os.sysconf("SC_CLK_TCK")


@dataclass
class Seen:
    """What was seen while it ran."""

    late_ms: list[float] = field(default_factory=list)
    memory_mib: list[tuple[float, float]] = field(default_factory=list)
    cpu_s: float = 0.0
    samples: int = 0
    longest_unsaved_s: float = 0.0
    most_waiting: int = 0
    status: Status | None = None


def pictures(count: int) -> list[bytes]:
    """JPEGs of quality 90 of a simulated eye that turns to and fro by 10 deg, with torsion."""
    cv2.setNumThreads(1)
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    images = [
        still(1, (10 * np.sin(t), 3 * np.cos(t), 4 * np.sin(2 * t)), number=k)[0] for k, t in enumerate(turn)
    ]
    return [cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes() for image in images]


@contextmanager
def sources(options: argparse.Namespace, folder: Path) -> Iterator[dict[Eye, str]]:
    """Text for `open_source` of each eye."""
    eyes = EYES[: options.eyes]
    if options.source == "simulated":
        yield {eye: f"simulated:{eye}" for eye in eyes}
        return
    shown = pictures(options.pictures)
    with ExitStack() as stack:
        urls = {}
        for eye in eyes:
            extra = f"--busy-neighbours {options.busy_neighbours}" if eye == eyes[0] else ""
            camera = camera_process(shown, folder, eye, rate_hz=options.rate, options=extra)
            urls[eye] = stack.enter_context(camera)[0]
        yield urls


def cpu_s(pid: int) -> float:
    """Processor time of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_S


def memory_mib(pid: int) -> float:
    """Resident memory that is its own; what is shared with this process is left out."""
    values = dict(line.split(":") for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    return int(values["RssAnon"].split()[0]) / 1024


def look(recorder: RecorderProcess, seconds: float, eyes: list[Eye]) -> Seen:
    """Read samples as a window would, though far more often, and note how old each is."""
    seen = Seen()
    pid = recorder.pid
    assert pid is not None
    began_s, cpu_before_s = time.perf_counter(), cpu_s(pid)
    after = {eye: recorder.reader.written(eye) for eye in eyes}
    next_s = began_s
    while (now_s := time.perf_counter()) < began_s + seconds:
        for eye in eyes:
            if recorder.reader.written(eye) > after[eye]:
                rows, after[eye] = recorder.reader.samples(eye, after[eye])
                late_ms = 1e3 * (time.perf_counter() - rows["device_time_s"])
                seen.late_ms.extend(late_ms.tolist())
        if now_s >= next_s:
            next_s += 1.0
            seen.memory_mib.append((now_s - began_s, memory_mib(pid)))
            seen.status = recorder.status()
            journal = seen.status and seen.status.journal
            if journal:
                seen.longest_unsaved_s = max(seen.longest_unsaved_s, journal.unsaved_s)
                seen.most_waiting = max(seen.most_waiting, journal.waiting_rows)
        time.sleep(POLL_S)
    seen.cpu_s = cpu_s(pid) - cpu_before_s
    return seen


def report(seen: Seen, options: argparse.Namespace, folder: Path, logs: Path) -> bool:
    """Print the figures; whether every budget was kept."""
    good = True
    with open_recording(folder) as recording:
        for eye, info in recording.info.eyes.items():
            line = (
                f"{eye}: {info.frames} samples, {info.pictures} pictures, {info.lost} lost by number, "
                f"{info.repeated} repeated, {info.pictures_dropped} pictures dropped, "
                f"{info.measured_rate_hz:.2f}/s, pupil in "
                f"{1 - np.isnan(recording.samples[eye]['x_px']).mean():.1%}, torsion in "
                f"{1 - np.isnan(recording.samples[eye]['rotation_deg']).mean():.1%}, clock {info.clock_used}"
            )
            good &= info.lost == 0 and info.pictures_dropped == 0
            if options.source == "loopback":
                wrong, missing = compare_with_sender(recording, eye, read_log(logs / f"{eye}.csv"))
                line += f"; by the sender's log: {missing} missing, {wrong} wrong"
                good &= wrong == 0 and missing == 0
            print(line)
        good &= recording.complete
        print(f"complete: {recording.complete} {recording.info.ending}")
    size = sum(path.stat().st_size for path in folder.iterdir())
    print(f"sealed {size / 1e6:.0f} MB, {size / 1e6 / options.seconds:.2f} MB/s")
    if options.source == "loopback":
        median, high, worst = np.quantile(seen.late_ms or [np.inf], [0.5, 0.99, 1.0])
        print(
            f"sender's stamp to sample here: median {median:.2f} ms, 99 % {high:.2f} ms, "
            f"worst {worst:.1f} ms ({len(seen.late_ms)} samples)"
        )
        good &= bool(median <= MEDIAN_MS and high <= HIGH_MS)
    first = [mib for at_s, mib in seen.memory_mib if at_s >= min(60.0, options.seconds / 3)]
    growth = max(first) - first[0] if first else 0.0
    print(f"memory {first[0]:.0f} MiB after the first minute (or third), growth {growth:.1f} MiB")
    good &= growth < GROWTH_MIB
    print(
        f"processor: {seen.cpu_s / options.seconds:.2f} of {os.cpu_count()} cores; oldest unsaved "
        f"{seen.longest_unsaved_s:.2f} s; most rows waiting {seen.most_waiting}"
    )
    return good


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--rate", type=float, default=250.0)
    parser.add_argument("--eyes", type=int, choices=(1, 2), default=2)
    parser.add_argument("--source", choices=("loopback", "simulated"), default="loopback")
    parser.add_argument("--pictures", type=int, default=200, help="different ones, shown in a circle")
    parser.add_argument("--busy-neighbours", type=int, default=0, help="processes that take all they get")
    parser.add_argument("--data", type=Path, help="folder on the disk to be proven; kept")
    parser.add_argument("--climb", action="store_true", help="raise the rate from --rate on, --seconds each")
    options = parser.parse_args(arguments)
    if options.climb:
        return climb(options)
    with tempfile.TemporaryDirectory(prefix="driftbeat-soak-") as scratch:
        data = options.data or Path(scratch) / "data"
        return _prove(options, data, Path(scratch))


def climb(options: argparse.Namespace) -> int:
    """Record at rising rates; end at the first with a frame lost, a picture dropped, a frame not tracked."""
    while True:
        with tempfile.TemporaryDirectory(prefix="driftbeat-soak-") as scratch:
            folder, seen = record(options, options.data or Path(scratch) / "data", Path(scratch))
            with open_recording(folder) as recording:
                lost = sum(info.lost for info in recording.info.eyes.values())
                dropped = sum(info.pictures_dropped for info in recording.info.eyes.values())
                untracked = sum(int(np.isnan(rows["x_px"]).sum()) for rows in recording.samples.values())
                missing = 0
                if options.source == "loopback":
                    logs = {eye: read_log(Path(scratch) / f"{eye}.csv") for eye in recording.samples}
                    missing = sum(sum(compare_with_sender(recording, eye, log)) for eye, log in logs.items())
            late_ms = np.quantile(seen.late_ms or [np.inf], 0.99) if options.source == "loopback" else np.nan
            print(
                f"{options.rate:g}/s: {lost} lost, {missing} missing by the sender's log, "
                f"{dropped} pictures dropped, {untracked} untracked, "
                f"99 % within {late_ms:.1f} ms, {seen.cpu_s / options.seconds:.2f} cores"
            )
        if lost or dropped or untracked:
            return 0
        options.rate += 50.0


def record(options: argparse.Namespace, data: Path, scratch: Path) -> tuple[Path, Seen]:
    """One recording, sealed, and what was seen meanwhile."""
    with sources(options, scratch) as texts:
        plan = GogglesPlan(
            goggles(*texts),
            {f"camera-{eye}": text for eye, text in texts.items()},
            data,
            CameraSettings(rate_hz=options.rate),
        )
        with RecorderProcess(plan) as recorder:
            time.sleep(2.0)
            recorder.start(Start(Circumstances(training=True), seconds=options.seconds))
            seen = look(recorder, options.seconds, list(texts))
            folder = recorder.stop()
            stopped_s = time.perf_counter()
            while not (status := recorder.status()) or not (status.unsealed or folder.name in status.sealed):
                time.sleep(0.1)
            print(f"sealed {time.perf_counter() - stopped_s:.1f} s after the stop {status.unsealed or ''}")
    return folder, seen


def _prove(options: argparse.Namespace, data: Path, scratch: Path) -> int:
    folder, seen = record(options, data, scratch)
    good = report(seen, options, folder, scratch)
    print("all budgets kept" if good else "A BUDGET WAS MISSED")
    return int(not good)


if __name__ == "__main__":
    sys.exit(main())
