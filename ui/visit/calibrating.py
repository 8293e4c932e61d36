"""A calibration without a stimulus screen: the patient looks at crosses, one key a cross.

    looking -> holding -> looking at the next ... -> working -> done
      the key is pressed when the patient looks at the cross; the hold then ends by itself

An eye with nystagmus never rests on a cross: a longer hold gives it more moments right after a quick phase
(clinical.md 27.5). The fit itself is `capture.calibration`; nothing here decides how good it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from capture.calibration import Calibration, calibrate, default_calibration
from capture.grading import Grade, TargetResidual
from capture.profile import GoggleProfile
from capture.samples import Eye, Target
from ui.crosses.places import ANGLES_DEG, Surface, name_of, points_deg

if TYPE_CHECKING:
    from ui.visit.visit import Visit

Phase = Literal["looking", "holding", "working", "done"]
HOLD_S = 2.0  # at least 1.5 to 2 s (clinical.md 3.3)
NYSTAGMUS_HOLD_S = 6.0  # about a dozen quick phases at two a second (design choice)
AFTER_S = 0.3  # of samples after a hold: the eye leaves late, and the samples come late
BEFORE_S = 1.0  # of samples before it, to see the eye come
FIVE = 5  # crosses on the axes; the centre is looked at once more at the end
WORST: tuple[Grade, ...] = ("good", "usable", "refused", "default")

Rows = NDArray[np.void]


@dataclass(frozen=True, slots=True)
class Plan:
    """How the crosses hang and how long each is looked at."""

    angle_deg: float = ANGLES_DEG[0]
    nine: bool = False
    surface: Surface = "wall"
    nystagmus: bool = False

    @property
    def looks(self) -> tuple[tuple[float, float], ...]:
        """(horizontal, vertical) in order; the centre again at the end shows whether the goggles moved."""
        points = points_deg(self.angle_deg)
        return (*(points if self.nine else points[:FIVE]), points[0])

    @property
    def hold_s(self) -> float:
        """How long each cross is looked at."""
        return NYSTAGMUS_HOLD_S if self.nystagmus else HOLD_S


@dataclass(slots=True)
class _Seen:
    """One cross that was looked at."""

    target: Target
    rows: dict[Eye, Rows]


class Calibrating:
    """One calibration. Times are the host's; `visit.eyes` must be there."""

    def __init__(self, visit: Visit, plan: Plan) -> None:
        self.plan = plan
        self.phase: Phase = "looking"
        self.at = 0  # the look that is asked for
        self.left_out: set[int] = set()
        self.result: Mapping[Eye, Calibration] = {}
        self._visit = visit
        self._seen: dict[int, _Seen] = {}
        self._start_s = 0.0
        self._taken_s = -np.inf  # samples until then belong to a cross
        self._ask()

    @property
    def words(self) -> str:
        """What the patient is told now."""
        where = name_of(*self.plan.looks[self.at])
        side = "" if self.plan.surface == "wall" else " on the ceiling"
        cross = "the cross in the middle" if where == "centre" else f"the cross {_way(where)}"
        return f"Look at {cross}{side}. Keep looking at it, eyes wide open."

    def left_s(self, now_s: float) -> float:
        """Of the hold."""
        return max(self._start_s + self.plan.hold_s - now_s, 0.0) if self.phase == "holding" else 0.0

    def seen(self, look: int) -> bool:
        """Whether this cross was looked at."""
        return look in self._seen

    def press(self, now_s: float) -> None:
        """The patient looks at the cross now."""
        if self.phase == "looking":
            self.phase, self._start_s = "holding", now_s

    def leave_out(self) -> None:
        """Go on without this cross: the patient cannot look there."""
        if self.phase in ("looking", "holding"):
            self.left_out.add(self.at)
            self._go_on()

    def redo(self, look: int) -> None:
        """Look at this cross once more; its earlier try no longer counts."""
        if self.phase in ("looking", "holding", "done"):
            self._seen.pop(look, None)
            self.left_out.discard(look)
            self.at, self.phase = look, "looking"
            self._ask()

    def tick(self, now_s: float) -> None:
        """End a hold when its time is over."""
        if self.phase == "holding" and now_s >= self._start_s + self.plan.hold_s + AFTER_S:
            self._keep()
            self._visit.sounds.tone("end")
            self._go_on()

    def residual(self, eye: Eye, look: int) -> TargetResidual | None:
        """What became of one cross in the fit; None where it was not looked at."""
        if look not in self._seen or eye not in self.result:
            return None
        start_s = self._seen[look].target.start_s
        return next((row for row in self.result[eye].targets if row.start_s == start_s), None)

    @property
    def grade(self) -> Grade:
        """Of the worse eye."""
        found = {one.grade for one in self.result.values()} or {"default"}
        return next(grade for grade in reversed(WORST) if grade in found)

    def _keep(self) -> None:
        eyes = self._visit.eyes
        assert eyes is not None
        target = Target(self._start_s, self._start_s + self.plan.hold_s, *self.plan.looks[self.at])
        first_s = max(target.start_s - BEFORE_S, self._taken_s)
        rows: dict[Eye, Rows] = {}
        for eye, live in eyes.eyes.items():
            there = live.since(first_s)
            rows[eye] = there[there["time_s"] <= target.end_s + AFTER_S].copy()
        self._taken_s = float(np.nextafter(target.end_s + AFTER_S, np.inf))
        self._seen[self.at] = _Seen(target, rows)

    def _go_on(self) -> None:
        open_ones = [n for n in range(len(self.plan.looks)) if n not in self._seen and n not in self.left_out]
        if open_ones:
            self.at, self.phase = open_ones[0], "looking"
            self._ask()
        else:
            self._work()

    def _ask(self) -> None:
        self._visit.looks_at_deg = self.plan.looks[self.at]
        self._visit.sounds.say(self.words)

    def _work(self) -> None:
        """Fit in the background; a fit of ten crosses takes longer than a tick."""
        self.phase, self._visit.looks_at_deg = "working", (0.0, 0.0)
        eyes, profile = self._visit.eyes, self._visit.plan.profile
        assert eyes is not None
        sizes: dict[Eye, tuple[int, int]] = {eye: live.picture_size_px for eye, live in eyes.eyes.items()}
        seen = sorted(self._seen.values(), key=lambda one: one.target.start_s)
        self._visit.measuring.ask(lambda: _fits(seen, profile, sizes), self._worked)

    def _worked(self, result: dict[Eye, Calibration]) -> None:
        """It counts at once, a refused one too: then the degrees are marked uncalibrated, with the reason."""
        self.result, self.phase = result, "done"
        self._visit.calibrate(result)


def _way(where: str) -> str:
    """A direction as it is said to a patient."""
    words = {"right": "to your right", "left": "to your left", "up": "above", "down": "below"}
    return " and ".join(words[part] for part in where.split(" and "))


def _fits(
    seen: Sequence[_Seen], profile: GoggleProfile, sizes: Mapping[Eye, tuple[int, int]]
) -> dict[Eye, Calibration]:
    return {eye: _fit(eye, seen, profile, size_px) for eye, size_px in sizes.items()}


def _fit(eye: Eye, seen: Sequence[_Seen], profile: GoggleProfile, size_px: tuple[int, int]) -> Calibration:
    """One eye's calibration; whatever goes wrong in a fit is a refusal with its reason."""
    view, geometry = profile.view(eye), profile.camera(eye).geometry
    refused = msgspec.structs.replace(default_calibration(view, geometry, size_px), grade="refused")
    if not seen:
        return msgspec.structs.replace(refused, reason="Refused: no cross was looked at.")
    rows = np.concatenate([one.rows[eye] for one in seen])
    try:
        return calibrate([one.target for one in seen], rows, view, geometry, size_px)
    except (ArithmeticError, ValueError, np.linalg.LinAlgError) as error:
        reason = f"Refused: the calibration could not be worked out ({type(error).__name__})."
        return msgspec.structs.replace(refused, reason=reason)
