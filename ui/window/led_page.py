"""A test of the battery, led step by step."""

from __future__ import annotations

from ui.visit.visit import Visit
from ui.window.page import Page


class LedPage(Page):
    """The eyes beside what to do now; the curves below."""

    key, title = "test", "Tests"

    def __init__(self, visit: Visit) -> None:
        super().__init__(visit)
