"""One try of a test: the recording, the guided test, and what came of both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import msgspec

from analysis.analyse import RecordingResult, analyse_recording
from analysis.procedure import Procedure
from recordings.commands import Facts, Start
from recordings.event import Event
from recordings.held import HeldRecording
from ui.visit.guided_test import GuidedTest, Shown
from ui.visit.questions import in_words
from ui.visit.verdict import Verdict, judge_run

if TYPE_CHECKING:
    from ui.visit.visit import Visit

State = Literal["starting", "running", "ending", "measuring", "done", "failed"]
LONGER = 2.0  # than the longest steps: nystagmus and questions take their time
SAFE = "What was recorded is kept."
SIGN_STAYS_S = 5.0  # on the screen after it was seen last


class Run:
    """Begins to record when it is made. Times are the host's."""

    def __init__(self, visit: Visit, procedure: Procedure) -> None:
        """Needs an open recorder."""
        assert visit.recorder is not None
        assert visit.eyes is not None
        self.procedure = procedure
        self.state: State = "starting"
        self.problem = ""  # why it failed
        self.cut_off = ""  # why its recording could not go on
        self.folder: Path | None = None
        self.result: RecordingResult | None = None
        self.verdict: Verdict | None = None
        self.test = GuidedTest(procedure, self._emit)
        self.shown: Shown = self.test.tick(0.0, False)
        self.lost: dict[str, str] = {}  # by eye: why it was not seen at some moment
        self._visit, self._recorder, self._eyes = visit, visit.recorder, visit.eyes
        self._signs: dict[str, tuple[float, float]] = {}  # seen from when to when
        held = HeldRecording(visit.recorder.reader, visit.calibrations)
        self._held: HeldRecording | None = held  # until it is measured
        self._facts: Facts | None = None  # as the recorder told them last
        asked = _recording_of(visit, procedure, visit.eyes.slipped())
        visit.orders.ask(lambda: self._start(asked), self._started, self._failed)

    @property
    def going_on(self) -> bool:
        """Whether it still records, or is about to."""
        return self.state in ("starting", "running", "ending")

    def press(self, now_s: float) -> None:
        """The main key."""
        if self.state == "running":
            self.test.press(now_s)
            self.tick(now_s)

    def stop(self, now_s: float) -> None:
        """End it now; what there is is kept, sealed and measured."""
        if self.state in ("starting", "running"):
            self.test.stop(now_s)
            self._end(now_s)

    def tick(self, now_s: float) -> None:
        """Follow the clock and the eyes."""
        assert self._held is not None  # whoever is measured is not asked any more
        self._held.tick()
        step = self.test.step
        self.shown = self.test.tick(now_s, self._eyes.running())
        if self.state != "running":
            return
        for eye in self._eyes.eyes:
            if trouble := self._eyes.trouble(eye, now_s):
                self.lost[eye] = trouble
        if step is not None:
            self._watch_signs(
                self._eyes.signs(step.light, in_position=step.moves or step.ear_down is not None), now_s
            )
        status = self._visit.status
        if status is not None and status.state == "broken off":
            self._cut_off("; ".join(status.problems), now_s)
        elif self.test.phase == "done":
            self._end(now_s)

    def _start(self, asked: Start) -> Path:
        folder = self._recorder.start(asked)
        self._facts = self._recorder.facts()
        return folder

    def _stop(self, reason: str) -> Path:
        folder = self._recorder.stop(reason)
        self._facts = self._recorder.facts()
        return folder

    def _started(self, folder: Path) -> None:
        self.folder = folder
        if self.state == "starting":
            self.state = "running"
            self._eyes.begin(self._visit.clock.now_s())
            self.test.begin(self._visit.clock.now_s())

    def _failed(self, why: str) -> None:
        self._held = None
        self.state, self.problem = "failed", why
        self._visit.tell("run", why)

    def _emit(self, event: Event) -> None:
        if self._held is not None:
            self._held.mark(event)
        self._visit.orders.ask(lambda: self._recorder.mark(event), failed=lambda why: None)

    def _watch_signs(self, seen: tuple[str, ...], now_s: float) -> None:
        """Tell a red flag while it lasts and a little longer; store from when to when it was seen."""
        for text in seen:
            since_s, _ = self._signs.get(text, (now_s, now_s))
            self._signs[text] = (since_s, now_s)
            self._visit.tell(text, text)
        for text, (_, last_s) in list(self._signs.items()):
            if now_s - last_s > SIGN_STAYS_S:
                self._store_sign(text)

    def _store_sign(self, text: str) -> None:
        since_s, last_s = self._signs.pop(text)
        self._emit(Event(since_s, last_s, "sign", text))
        self._visit.tell(text, "")

    def _cut_off(self, why: str, now_s: float) -> None:
        """The recording could not go on; told until the next test begins."""
        self.cut_off = why
        self._visit.tell("run", f"The test was ended: {why}. {SAFE} Put that right, then repeat the test.")
        self._end(now_s)

    def _end(self, now_s: float) -> None:
        self.test.stop(now_s)
        for text in list(self._signs):
            self._store_sign(text)
        self.shown = self.test.tick(now_s, False)
        self.state = "ending"
        reason = f"stopped by the technician in: {self.test.stopped_in}" if self.test.stopped_in else ""
        self._visit.orders.ask(lambda: self._stop(reason), self._ended, self._failed_to_end)

    def _failed_to_end(self, why: str) -> None:
        self._visit.tell("run", why)
        self._ended(None)

    def _ended(self, folder: Path | None) -> None:
        """The recording is closed and is being sealed; what is still in memory is measured meanwhile."""
        self.folder, self.state = folder or self.folder, "measuring"
        assert self._facts is not None
        assert self._held is not None
        self._held.close(self._facts)
        held, year = self._held, self._visit.patient.birth_year
        self._visit.measuring.ask(lambda: analyse_recording(held, year), self._measured, self._not_measured)

    def _measured(self, result: RecordingResult) -> None:
        self._held = None
        self.result, self.state = replace(result, traces={}, beats={}), "done"  # the file has them
        stopped = ": ".join(part for part in (self.test.stopped_in, self.cut_off) if part)
        self.verdict = judge_run(self.procedure, result.results[0], stopped, self.lost)

    def _not_measured(self, why: str) -> None:
        self._held = None
        self.state, self.problem = "done", why
        self._visit.tell("run", why)


def _recording_of(visit: Visit, procedure: Procedure, slipped: Sequence[str]) -> Start:
    """The recording that a test needs, with what was asked and found before it."""
    now_s = visit.clock.now_s()
    before = [*visit.checked.values(), *in_words(procedure, visit.answers, visit.decisions)]
    return Start(
        msgspec.structs.replace(visit.patient, procedure=procedure.key),
        events=(
            *(Event(now_s, now_s, "note", text) for text in before),
            *(Event(now_s, now_s, "doubt", text) for text in slipped),
        ),
        calibrations=visit.calibrations,
        calibrated_s=visit.calibrated_s if visit.calibrations else None,
        seconds=LONGER * sum(step.longest_s for step in procedure.steps),
    )
