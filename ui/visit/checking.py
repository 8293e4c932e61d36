"""Two checks before a test: do the eyes move as they are told to, and which eye is which.

Each asks, waits for the main key, watches for a moment and says what it found. Neither stops a visit; what
speaks against the goggles stays on the screen and is stored with every recording that follows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from capture.direction import FlipFound, check_direction, upright
from capture.samples import EYES, Eye
from recordings.cover_check import CoverVerdict
from ui.visit.live_eyes import LEAST_QUALITY

if TYPE_CHECKING:
    from ui.visit.visit import Visit

Phase = Literal["asking", "watching", "working", "done"]

# Where the patient is told to look and about how far people then look; only the way counts.
LOOKS = (
    ("Look straight ahead.", (0.0, 0.0)),
    ("Look far to your right.", (20.0, 0.0)),
    ("Look up.", (0.0, 15.0)),
)
SETTLE_S, WATCH_S = 0.3, 0.7  # after the key; watched from then on
COVER_S = 2.0  # of both eyes open, and of one eye covered (common practice)
HAND_S = 0.3  # that the hand needs after the key


class DirectionCheck:
    """The patient looks ahead, right and up, one key each; the pupils must go the same way."""

    title = "Direction check"

    def __init__(self, visit: Visit) -> None:
        self.phase: Phase = "asking"
        self.found: dict[Eye, FlipFound] = {}
        self._visit, self._at, self._since_s = visit, 0, 0.0
        self._places: dict[Eye, list[NDArray[np.float64]]] = {eye: [] for eye in EYES}
        self._ask()

    @property
    def words(self) -> str:
        """What the patient is told."""
        return "" if self.phase == "done" else LOOKS[self._at][0]

    @property
    def main(self) -> str:
        """What the main key does now; empty: nothing."""
        return "Patient looks there" if self.phase == "asking" else ""

    @property
    def result(self) -> tuple[str, ...]:
        """What was found, a sentence for each eye."""
        return tuple(_direction_words(eye, found) for eye, found in self.found.items())

    @property
    def passed(self) -> bool:
        """Whether every eye moved as it was told to."""
        return bool(self.found) and all(found.direction == "proven" for found in self.found.values())

    def press(self, now_s: float) -> None:
        """The patient looks there now."""
        if self.phase == "asking":
            self.phase, self._since_s = "watching", now_s

    def tick(self, now_s: float) -> None:
        """Take the place when it was watched for long enough."""
        if self.phase != "watching" or now_s < self._since_s + SETTLE_S + WATCH_S:
            return
        self._take(self._since_s + SETTLE_S)
        self._visit.sounds.tone("end")
        if self._at + 1 < len(LOOKS):
            self._at, self.phase = self._at + 1, "asking"
            self._ask()
        else:
            self._judge()

    def _ask(self) -> None:
        self._visit.looks_at_deg = LOOKS[self._at][1]
        self._visit.sounds.say(self.words)

    def _take(self, from_s: float) -> None:
        eyes = self._visit.eyes
        for eye, live in (eyes.eyes if eyes is not None else {}).items():
            rows = live.since(from_s)
            good = rows[rows["pupil_quality"] >= LEAST_QUALITY]
            place = (np.median(good["x_px"]), np.median(good["y_px"])) if len(good) else (np.nan, np.nan)
            self._places[eye].append(np.array(place))

    def _judge(self) -> None:
        self.phase, self._visit.looks_at_deg = "done", (0.0, 0.0)
        eyes = self._visit.eyes
        asked = np.array([angles for _, angles in LOOKS])
        for eye, live in (eyes.eyes if eyes is not None else {}).items():
            view, places = self._visit.plan.profile.view(eye), np.array(self._places[eye])
            if np.isfinite(places).all():
                self.found[eye] = check_direction(view, asked, upright(view, places, live.picture_size_px))
            else:
                self.found[eye] = FlipFound("unproven", view, "its pupil was not seen at every look")
        for eye, found in self.found.items():
            self._visit.checked[f"direction {eye}"] = _direction_words(eye, found)
            against = f"{_direction_words(eye, found)} Every direction would be wrong."
            self._visit.tell(f"direction {eye}", against if found.direction == "contradicted" else "")


def _direction_words(eye: Eye, found: FlipFound) -> str:
    if found.direction == "contradicted":
        return f"{eye.capitalize()} eye: {found.reason}. Check the goggles and their profile."
    return f"{eye.capitalize()} eye: direction {found.direction}, {found.reason}."


class CoverCheck:
    """Both eyes open for a moment, then one covered by a hand: its picture must be the one that goes."""

    title = "Which eye is which"

    def __init__(self, visit: Visit, asked: Eye) -> None:
        self.phase: Phase = "watching"
        self.verdict: CoverVerdict | None = None
        self._visit = visit
        self._asked: Eye = asked
        self._open_s: tuple[float, float] | None = None
        self._since_s = visit.clock.now_s()

    @property
    def words(self) -> str:
        """What the technician does."""
        if self._open_s is None:
            return "Both eyes open, nothing in front of the goggles."
        if self.phase == "asking":
            return f"Cover the patient's {self._asked.upper()} eye: your hand between goggles and eye."
        return "" if self.phase == "done" else f"Keep the {self._asked.upper()} eye covered."

    @property
    def main(self) -> str:
        """What the main key does now; empty: nothing."""
        return "It is covered" if self.phase == "asking" else ""

    @property
    def result(self) -> tuple[str, ...]:
        """What was found."""
        return () if self.verdict is None else (self.verdict.reason,)

    @property
    def passed(self) -> bool:
        """Whether exactly the eye that was asked for went."""
        return self.verdict is not None and self.verdict.identity == "proven"

    def press(self, now_s: float) -> None:
        """The eye is covered now."""
        if self.phase == "asking":
            self.phase, self._since_s, self._visit.covered = "watching", now_s + HAND_S, self._asked

    def tick(self, now_s: float) -> None:
        """Watch both eyes, then the covered one, then have it judged."""
        if self.phase != "watching" or now_s < self._since_s + COVER_S:
            return
        seen_s = (self._since_s, self._since_s + COVER_S)
        if self._open_s is None:
            self._open_s, self.phase = seen_s, "asking"
            self._visit.sounds.say(self.words)
            return
        self.phase, self._visit.covered = "working", None
        open_s, recorder = self._open_s, self._visit.recorder
        if recorder is None:
            self._failed("The cameras are not open.")
            return
        self._visit.sounds.tone("end")
        self._visit.orders.ask(
            lambda: recorder.judge_cover(self._asked, open_s, seen_s), self._judged, self._failed
        )

    def _judged(self, verdict: CoverVerdict) -> None:
        self.verdict, self.phase = verdict, "done"
        self._visit.checked["eye identity"] = f"Which eye is which: {verdict.identity}. {verdict.reason}"
        self._visit.tell("cover", verdict.reason if verdict.identity == "contradicted" else "")

    def _failed(self, why: str) -> None:
        self.verdict, self.phase = CoverVerdict("unproven", None, why), "done"
