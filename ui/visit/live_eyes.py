"""Both eyes as they are now: samples that the recorder shares, turned into degrees, beats and words.

Pulls what is new at every tick; only the newest counts, so a window that was held up never falls behind.
Slips of the goggles and beats are sought from copies, one search at a time, in a thread of its own where
`background` says so: what it found is taken over at the next tick. By a stepped clock the search is a part
of the tick, so that its outcome is always the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analysis.beats import Beat
from analysis.live import LiveNystagmus, live_signs
from analysis.procedure import Light
from analysis.trace import Trace
from capture.calibration import Calibration, default_calibration
from capture.profile import GoggleProfile
from capture.samples import AXES, SAMPLE_DTYPE, Eye
from capture.slip import Slip
from capture.slip_watch import HOME, SlipWatch, Step
from recordings.shared_samples import NewestPicture, SharedReader
from ui.visit.searching import Asked, Found, convert, flags, search

KEPT_ROWS = 7500  # 30 s at 250 samples/s
SEARCH_S = 12.0  # beats are sought in so many seconds: a train of slow beats has company in it
LOOK_S = 0.1  # between two looks for slips: one is told within 0.5 s
BEATS_S = 0.2  # between two searches for beats, the eyes in turn
OLD_S = 1.0  # beats that were found longer ago are not shown
LEAST_SLIP_DEG = 1.0  # a smaller one is not told before the test is over (clinical.md 3.3: repeat from 1 deg)
LOST_S = 0.5  # without a pupil: it is lost, longer than a blink (0.1 to 0.4 s: clinical 3.7)
SILENT_S = 1.0  # without a picture: the camera is lost
SIZE_S = 1.0  # over which the pupil's size is taken
SPAN_S = 0.02  # a velocity is drawn over twice this
LEAST_QUALITY = 0.6  # of a pupil that counts, as in the analysis


class Rolling:
    """The newest rows of SAMPLE_DTYPE, at least `count` of them once there were so many. Memory is flat."""

    def __init__(self, count: int = KEPT_ROWS) -> None:
        self._count, self._end = count, 0
        self._rows = np.empty(2 * count, SAMPLE_DTYPE)

    def add(self, rows: NDArray[np.void]) -> None:
        """Append; what is too old goes."""
        rows = rows[-self._count :]
        if self._end + len(rows) > len(self._rows):
            kept = self._rows[self._end - self._count + len(rows) : self._end].copy()
            self._rows[: len(kept)], self._end = kept, len(kept)
        self._rows[self._end : self._end + len(rows)] = rows
        self._end += len(rows)

    @property
    def rows(self) -> NDArray[np.void]:
        """All that is kept, in order of time; a view."""
        return self._rows[: self._end]


@dataclass(slots=True)
class LiveEye:
    """One eye. Times are the host's."""

    eye: Eye
    calibration: Calibration
    kept: Rolling = field(default_factory=Rolling)
    taken: int = 0  # samples taken from the recorder so far
    placed: bool = False  # calibrated, or it is known where the pupil is straight ahead
    seen_s: float = -math.inf  # when a good pupil was seen last
    newest_s: float = -math.inf  # time of the newest sample
    picture: NewestPicture | None = None
    searched_s: float = -math.inf
    found_s: float = -math.inf  # newest sample of the last search
    watch: SlipWatch = field(init=False)
    fresh: list[NDArray[np.void]] = field(default_factory=list)  # that the watch has not seen
    begin_s: float | None = None  # a recording has begun of which the watch does not know
    steps: tuple[Step, ...] = HOME  # where the goggles sit; degrees are corrected by it
    moving: bool = False  # the goggles move now
    slip: Slip | None = None  # the newest since the calibration that is worth telling
    calibrated_mm: float = math.nan  # the pupil's diameter when it was calibrated
    trace: Trace | None = None  # of the last search
    beats: tuple[Beat, ...] = ()
    nystagmus: LiveNystagmus = field(default_factory=LiveNystagmus)

    def __post_init__(self) -> None:
        self.use(self.calibration)

    def use(self, calibration: Calibration) -> None:
        """Another calibration: what is kept is converted anew, the goggles sit right as they are now."""
        self.calibration, self.watch = calibration, SlipWatch(calibration)
        self.watch.begin(self.newest_s)
        self.fresh, self.begin_s = [self.kept.rows.copy()], None
        self.steps, self.moving, self.slip = HOME, False, None
        convert(self.kept.rows, calibration, HOME)
        self.trace, self.beats, self.nystagmus = None, (), LiveNystagmus()
        self.calibrated_mm = self._diameter_mm(self.kept.rows) if calibration.calibrated else math.nan

    def wider_mm(self) -> float:
        """How much wider the pupil is than when it was calibrated; NaN where either is not known.

        Its centre moves with its size (clinical.md 3.7). The analysis of a recording measures that and takes
        it out; what is shown live still has it.
        """
        return self._diameter_mm(self.since(self.newest_s - SIZE_S)) - self.calibrated_mm

    def _diameter_mm(self, rows: NDArray[np.void]) -> float:
        good = rows["major_px"][rows["pupil_quality"] >= LEAST_QUALITY]
        return 2.0 * self.calibration.model.mm_per_px * float(np.median(good)) if len(good) else math.nan

    @property
    def picture_size_px(self) -> tuple[int, int]:
        """Width, height of the full picture."""
        return self.calibration.picture_size_px

    @property
    def proven(self) -> bool:
        """Whether its degrees and directions may be named."""
        return self.calibration.calibrated and self.calibration.direction == "proven"

    def since(self, start_s: float) -> NDArray[np.void]:
        """Rows from `start_s` on."""
        rows = self.kept.rows
        return rows[np.searchsorted(rows["time_s"], start_s) :]


def velocity_dps(rows: NDArray[np.void]) -> NDArray[np.float64]:
    """(n, 3) velocity for drawing: slope over `SPAN_S` before and after each row; NaN without a pupil."""
    if len(rows) < 2:
        return np.full((len(rows), 3), np.nan)
    time = rows["time_s"]
    before = np.searchsorted(time, time - SPAN_S)
    after = np.minimum(np.searchsorted(time, time + SPAN_S), len(rows) - 1)
    span = time[after] - time[before]
    span[span <= 0] = np.nan
    return np.column_stack(
        [(rows[f"{axis}_deg"][after] - rows[f"{axis}_deg"][before]) / span for axis in AXES]
    )


class LiveEyes:
    """Both eyes of one recorder."""

    def __init__(
        self,
        reader: SharedReader,
        profile: GoggleProfile,
        calibrations: Mapping[Eye, Calibration],
        *,
        background: bool = False,
    ) -> None:
        self._reader = reader
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="beats") if background else None
        self._asked: Future[list[Found]] | None = None  # the search that goes on
        self._looked_s = -math.inf
        sizes: dict[Eye, tuple[int, int]] = {
            eye: (width, height) for eye, width, height in reader.plan.sizes_px
        }
        self._average: dict[Eye, Callable[..., Calibration]] = {
            eye: partial(default_calibration, profile.view(eye), profile.camera(eye).geometry, size)
            for eye, size in sizes.items()
        }
        self.eyes: dict[Eye, LiveEye] = {
            eye: LiveEye(eye, average(), taken=reader.written(eye)) for eye, average in self._average.items()
        }
        self._flags: tuple[str, ...] = ()
        self.calibrate(calibrations)

    def calibrate(self, calibrations: Mapping[Eye, Calibration]) -> None:
        """Use other calibrations from now on; what is kept so far is converted anew."""
        for eye, live in self.eyes.items():
            live.placed = live.placed or eye in calibrations
            live.use(calibrations.get(eye) or live.calibration)

    def begin(self, now_s: float) -> None:
        """A recording begins: slips count from where the goggles sit now, as they do in its file."""
        for live in self.eyes.values():
            live.begin_s = now_s

    def tick(self, now_s: float) -> None:
        """Take what is new; take over what a search found, and ask for the next."""
        for live in self.eyes.values():
            self._take(live)
        self._take_over()
        if self._asked is None and now_s - self._looked_s >= LOOK_S:
            self._looked_s = now_s
            self._ask(now_s)
            self._take_over()
        for live in self.eyes.values():
            if live.newest_s - live.found_s > OLD_S:  # that it runs stays: a hold must not end by haste
                live.beats, live.nystagmus = (), LiveNystagmus(running=live.nystagmus.running)

    def close(self) -> None:
        """Wait for the search that goes on; none follows."""
        if self._thread is not None:
            self._thread.shutdown()

    def running(self) -> bool:
        """Whether nystagmus goes on in either eye now."""
        return any(live.nystagmus.running for live in self.eyes.values())

    def slipped(self) -> tuple[str, ...]:
        """What a recording that begins now must know of slips since the calibration."""
        return tuple(
            f"{live.eye} eye: the goggles had slipped since the calibration by what looks like "
            f"{live.slip.size_deg:.1f} deg: the zero of its degrees is uncertain by as much"
            for live in self.eyes.values()
            if live.slip is not None and live.calibration.calibrated
        )

    def signs(self, light: Light, *, in_position: bool) -> tuple[str, ...]:
        """Red flags that the eyes show now, in words."""
        proven: dict[Eye, LiveNystagmus] = {
            eye: live.nystagmus for eye, live in self.eyes.items() if live.proven
        }
        return (*live_signs(proven, light, in_position=in_position), *self._flags)

    def _ask(self, now_s: float) -> None:
        turn = min(self.eyes.values(), key=lambda live: live.searched_s)
        if now_s - turn.searched_s >= BEATS_S:
            turn.searched_s = now_s
        asked: list[Asked] = []
        for live in self.eyes.values():
            fresh = np.concatenate([np.empty(0, SAMPLE_DTYPE), *live.fresh])
            rows = live.since(live.newest_s - SEARCH_S).copy() if live.searched_s == now_s else None
            asked.append(Asked(live.eye, live.calibration, live.watch, live.begin_s, fresh, rows))
            live.fresh, live.begin_s = [], None
        if self._thread is not None:
            self._asked = self._thread.submit(search, asked)
        else:
            self._asked = Future()
            self._asked.set_result(search(asked))

    def _take_over(self) -> None:
        if self._asked is None or not self._asked.done():
            return
        asked, self._asked = self._asked, None
        for found in asked.result():
            live = self.eyes[found.asked.eye]
            if live.watch is found.asked.watch:  # else it was calibrated meanwhile
                _take_over(live, found)
        if any(found.beats for found in asked.result()):
            traces: dict[Eye, Trace] = {
                eye: live.trace for eye, live in self.eyes.items() if live.proven and live.trace is not None
            }
            self._flags = flags(traces, max(live.newest_s for live in self.eyes.values()))

    def trouble(self, eye: Eye, now_s: float) -> str:
        """Why an eye is not seen now, in two words; empty when it is."""
        live = self.eyes.get(eye)
        if live is None or live.picture is None or now_s - live.picture.time_s > SILENT_S:
            return "no picture"
        return "pupil lost" if live.newest_s - live.seen_s > LOST_S else ""

    def _take(self, live: LiveEye) -> None:
        live.picture = self._reader.picture(live.eye) or live.picture
        rows, live.taken = self._reader.samples(live.eye, live.taken)
        if not len(rows):
            return
        if not live.placed:
            self._straight_ahead(live, rows)
        convert(rows, live.calibration, live.steps)
        live.kept.add(rows)
        live.fresh.append(rows)
        live.newest_s = float(rows["time_s"][-1])
        good = np.flatnonzero(rows["pupil_quality"] >= LEAST_QUALITY)
        if len(good):
            live.seen_s = float(rows["time_s"][good[-1]])

    def _straight_ahead(self, live: LiveEye, rows: NDArray[np.void]) -> None:
        """Without a calibration, the first place of the pupil counts as straight ahead."""
        good = rows[rows["pupil_quality"] >= LEAST_QUALITY]
        if len(good):
            place = float(np.median(good["x_px"])), float(np.median(good["y_px"]))
            live.use(self._average[live.eye](straight_ahead_px=place))
            live.placed = True


def _take_over(live: LiveEye, found: Found) -> None:
    if found.steps != live.steps:
        changed = set(found.steps) ^ set(live.steps)
        live.steps = found.steps
        convert(live.since(min(step.start_s for step in changed)), live.calibration, live.steps)
    live.moving = found.moving
    if found.slips and found.slips[-1].size_deg >= LEAST_SLIP_DEG:
        live.slip = found.slips[-1]
    if found.beats is not None:
        live.found_s, live.trace, live.beats, live.nystagmus = found.beats
