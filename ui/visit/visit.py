"""One patient's visit: what was stated and found so far, and the recorder that serves it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from analysis.procedure import Procedure, Step
from capture.calibration import Calibration
from capture.clock import Clock, SystemClock
from capture.pose import Pose
from capture.samples import EYES, Eye
from recordings.commands import GogglesPlan
from recordings.info import Circumstances
from recordings.live_handle import RecorderHandle
from recordings.sealing_process import Repair
from recordings.status import Status
from ui.compile_ahead import Ahead
from ui.visit.cues import Cues, Silence, Sounds
from ui.visit.entering import TRAINING_CODE
from ui.visit.goggles import Goggles
from ui.visit.hints import Hints
from ui.visit.live_eyes import LiveEyes
from ui.visit.orders import Orders
from ui.visit.run import Run

OPENING = "Opening the cameras."
RECORDER_DIED = (
    "The recorder ended by itself. What was recorded until then is kept and is being sealed, marked as "
    "incomplete. The cameras are being opened again; then repeat the test."
)
ONE_EYE = "The recording goes on with the other eye."
NO_EYE = "No eye is seen now. What was recorded is safe."
OLD_MIN = 30.0  # a calibration is told to be old (reliability.md, hazard 3); it never blocks (clinical 27.3)


class OpenRecorder(Protocol):
    """Opens the cameras of a plan; `RecorderProcess`, or a recorder in this process for tests."""

    def __call__(self, plan: GogglesPlan) -> RecorderHandle: ...  # noqa: D102


class Visit:
    """What all pages share. Used by the window's thread alone.

    `patient` is what every recording of this visit states. `answers` and `decisions` hold what was asked
    before tests, by the question's key: yes or no, and the words and code of the doctor who decided to go on
    all the same. `runs` are the tries of tests, all of them.
    `sounds` speaks and sounds; it ends with the visit.
    """

    def __init__(
        self, clock: Clock, plan: GogglesPlan, open_recorder: OpenRecorder, sounds: Sounds | None = None
    ) -> None:
        self.clock, self.plan = clock, plan
        self.goggles: tuple[Goggles, ...] = ()  # that can be chosen, those in use first
        self.repair: Repair | None = None  # of what a crash left behind, while it goes on
        self.ahead: Ahead | None = None  # kernels that are compiled before the cameras open
        self.training = ""  # names the simulated patient; empty: a real one
        self.patient = Circumstances()
        self.answers: dict[str, bool] = {}
        self.decisions: dict[str, str] = {}
        self.calibrations: dict[Eye, Calibration] = {}
        self.calibrated_s = 0.0
        self.hints = Hints()
        self.checked: dict[str, str] = {}  # what the checks of the goggles found, in words
        self.looks_at_deg = (0.0, 0.0)  # where the patient is asked to look; an invented one must be told
        self.covered: Eye | None = None  # by the technician's hand
        self._posed = Pose()
        self.runs: list[Run] = []
        self.strip: dict[str, str] = {}  # what needs telling, by a key that stays while it lasts
        self.orders, self.measuring = Orders("recorder"), Orders("measuring")
        self.recorder: RecorderHandle | None = None  # None: the cameras are being opened, or did not open
        self.opening = False  # the cameras, now
        self.eyes: LiveEyes | None = None  # as soon as there is a recorder
        self.status: Status | None = None
        self.sounds: Sounds = sounds or Silence()
        self._cues = Cues(self.sounds)
        self._open_recorder = open_recorder

    @property
    def run(self) -> Run | None:
        """The test that goes on; None between tests."""
        return self.runs[-1] if self.runs and self.runs[-1].going_on else None

    def tell(self, key: str, text: str) -> None:
        """Show `text` in the strip until it is empty; a text under the same key replaces the one before."""
        if text:
            self.strip[key] = text
        else:
            self.strip.pop(key, None)

    def open(self) -> None:
        """Begin to open the cameras; the window need not wait. `tick` takes over what came of it."""
        self.opening = True
        self.tell("recorder", OPENING)
        plan = self.plan
        self.orders.ask(lambda: self._open_recorder(plan), self._opened, self._not_opened)

    def use(self, plan: GogglesPlan, training: str = "") -> None:
        """Change to other goggles, or to a simulated patient; ends what the recorder did before."""
        self._end_recorder()
        self.tell("cover", "")
        self.plan, self.training = plan, training
        code = TRAINING_CODE if training else ""
        operator = self.patient.operator
        self._forget()
        self.patient = Circumstances(patient_code=code, operator=operator, training=bool(training))
        self.open()

    def receive(self, patient: Circumstances) -> None:
        """State who is here. Another code begins a new visit: nothing of the one before it stays."""
        if patient.patient_code != self.patient.patient_code:
            self._forget()
            if self.recorder is not None:
                self._follow(self.recorder, {})
        self.patient = patient

    def calibrate(self, calibrations: Mapping[Eye, Calibration]) -> None:
        """Use these from now on, on the screen and in the recordings that follow."""
        self.calibrations, self.calibrated_s = dict(calibrations), self.clock.now_s()
        for eye in EYES:
            self.tell(f"slip {eye}", "")
        if self.eyes is not None:
            self.eyes.calibrate(self.calibrations)

    def mend(self, repair: Repair, ended: int) -> None:
        """Say what a program that broke off left behind: `ended` recordings of it still went on."""
        self.repair = repair
        self.tell("left over", left_over_words(ended + repair.waiting))

    def begin(self, procedure: Procedure) -> Run:
        """Begin a test. Its questions are the caller's business."""
        self.tell("left over", "")
        self.tell("died", "")
        run = Run(self, procedure)
        self.runs.append(run)
        return run

    def tick(self) -> None:
        """Take over what is new: answers of the recorder, samples, how the recorder is."""
        self.orders.tick()
        self.measuring.tick()
        if self.repair is not None and self.repair.wait(0.0):
            self.tell("unsealed", " ".join(one.problem for one in self.repair.found if one.problem))
            self.repair = None
        if self.recorder is None or self.eyes is None:
            return
        now_s = self.clock.now_s()
        if not self.recorder.is_alive():
            self._recorder_died(now_s)
            return
        self.status = self.recorder.status()
        self.eyes.tick(now_s)
        self.hints.tick(self, now_s)
        self._tell_troubles(self.status)
        if self.run is not None:
            self.run.tick(now_s)
        if self.training:
            self._pose(self.recorder)
        age_min = (now_s - self.calibrated_s) / 60 if self.calibrations else 0.0
        old = f"Calibrated {age_min:.0f} minutes ago: calibrate again before the next test."
        self.tell("age", old if age_min >= OLD_MIN and self.run is None else "")
        self._cues.tick(self.run, self.eyes, now_s)
        self.tell("sound", self._cues.trouble(now_s))

    def close(self) -> None:
        """End the test that goes on, seal it, and let go of the cameras."""
        if self.run is not None:
            self.run.stop(self.clock.now_s())
        else:
            self.orders.drop()  # cameras that nobody needs any more
        if self.ahead is not None:
            self.ahead.end()
        self.orders.wait()
        self._end_recorder()
        self.measuring.close()
        self.orders.close()
        self.sounds.close()

    def _forget(self) -> None:
        """What was asked, checked, measured and told of the patient before; what the goggles are stays."""
        self.answers, self.decisions, self.runs = {}, {}, []
        self.calibrations, self.checked = {}, {}
        self.looks_at_deg, self.covered = (0.0, 0.0), None
        of_eyes = (f"{what} {eye}" for what in ("slip", "direction") for eye in EYES)
        for key in ("run", "age", "bedside", "code", *of_eyes):
            self.tell(key, "")

    def _recorder_died(self, now_s: float) -> None:
        """Measure what is still known, seal what is on the disk, and open the cameras again."""
        if self.run is not None:
            self.run.stop(now_s)
        self._end_recorder()
        self.tell("run", "")
        self.tell("died", RECORDER_DIED)
        data = self.plan.data_folder
        self.orders.ask(lambda: Repair(data), self._repairing)
        self.open()

    def _repairing(self, repair: Repair) -> None:
        self.repair = repair

    def _not_opened(self, why: str) -> None:
        self.opening = False
        self.tell("recorder", why)

    def _opened(self, recorder: RecorderHandle) -> None:
        self.opening = False
        self.recorder, self._posed = recorder, Pose()
        self._follow(recorder, self.calibrations)
        self.tell("recorder", "")

    def _follow(self, recorder: RecorderHandle, calibrations: Mapping[Eye, Calibration]) -> None:
        if self.eyes is not None:
            self.eyes.close()
        # by a stepped clock, which nothing in the background may outrun, the search is a part of the tick
        background = isinstance(self.clock, SystemClock)
        self.eyes = LiveEyes(recorder.reader, self.plan.profile, calibrations, background=background)

    def _end_recorder(self) -> None:
        self.orders.wait()
        if self.eyes is not None:
            self.eyes.close()
        recorder, self.recorder, self.eyes, self.status = self.recorder, None, None, None
        if recorder is not None:
            recorder.close()

    def _pose(self, recorder: RecorderHandle) -> None:
        """Tell an invented patient what has changed: the place of the head, the light, where to look."""
        run = self.run
        step = run.test.step if run is not None else None
        if run is None or step is None:
            pose = Pose(looks_at_deg=self.looks_at_deg, covered=self.covered)
        else:
            place = "" if run.test.phase == "moving" else step.key
            pose = Pose(place, "light" if step.light == "not stated" else step.light, looks_at(step))
        if pose != self._posed:
            self._posed = pose
            self.orders.ask(lambda: recorder.pose(pose), failed=lambda why: self.tell("pose", why))

    def _tell_troubles(self, status: Status | None) -> None:
        """Cameras that are silent, a disk that is slow or full, a sealing that failed."""
        if status is None:
            return
        goes_on = any(camera.signal == "good" for camera in status.cameras)
        rest = ("" if self.run is None else ONE_EYE) if goes_on else NO_EYE
        for camera in status.cameras:
            eyes = " and ".join(camera.eyes)
            lost = f"The camera of the {eyes} eye is {camera.signal}: check its cable."
            said = " ".join(part for part in (lost, camera.problem, rest) if part)
            self.tell(camera.identity, "" if camera.signal == "good" else said)
            slow = f"The computer is too slow for the {eyes} eye: {camera.untracked} frames have no pupil."
            self.tell(f"{camera.identity} untracked", slow if camera.untracked else "")
        self.tell("problems", " ".join((*status.problems, *status.unsealed)))
        dropped = status.journal.pictures_dropped if status.journal is not None else 0
        slow_disk = f"The disk is slow: {dropped} pictures were dropped; every sample is kept."
        self.tell("disk", slow_disk if dropped else "")


def left_over_words(count: int) -> str:
    """What a technician is told of recordings that nobody ended."""
    if not count:
        return ""
    tests, those = ("a test", "that test") if count == 1 else (f"{count} tests", "those tests")
    return (
        f"Driftbeat broke off in {tests} the last time. What was recorded is kept and is being sealed, "
        f"marked as incomplete. Repeat {those}."
    )


def looks_at(step: Step) -> tuple[float, float]:
    """Where a step's first target stands, degrees; straight ahead without one."""
    return step.targets[0][2:] if step.targets else (0.0, 0.0)
