"""How wide the pupil of an invented patient is: it follows the light late and closes faster than it opens."""

from __future__ import annotations

from math import exp

WIDENING = {"light": 0.0, "fixation": 0.6, "dark": 1.0}  # pupil between its light and its dark diameter
PUPIL_LATENCY_S = 0.25  # light reflex (from memory)
CONSTRICTION_S = 0.35
DILATION_S = 1.6


class Widening:
    """0 as in light to 1 as in darkness, in closed form since the last change of light."""

    def __init__(self, light: str) -> None:
        self._from = self._to = WIDENING[light]
        self._since_s = 0.0

    def change(self, light: str, at_s: float) -> None:
        """The light is another one from `at_s` on; times never go back."""
        self._from, self._to = self.at(at_s + PUPIL_LATENCY_S), WIDENING[light]
        self._since_s = at_s + PUPIL_LATENCY_S

    def at(self, time_s: float) -> float:
        """Widening at a time after the last change."""
        after_s = max(time_s - self._since_s, 0.0)
        slowness_s = DILATION_S if self._to > self._from else CONSTRICTION_S
        return self._to + (self._from - self._to) * exp(-after_s / slowness_s)
