"""A foot switch is taught by pressing it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.conftest import ROOT
from tests.ui.window.conftest import Window
from ui.keys import MOVING, PAGES, ROLES, Keys
from ui.window.keys_page import KeysPage

ACTION_KEY = re.compile(r'Action\((?:[^"]*"[^"]*"|[^,]*),\s*"([^"]+)"')


@pytest.fixture
def keys(window: Window) -> Keys:
    """The window with taught keys, its page shown."""
    page = window.shell.pages["keys"]
    assert isinstance(page, KeysPage)
    window.shell.aliases = page._keys.aliases
    window.shell.show_page("keys")
    return page._keys


def test_a_switch_is_taught_and_then_acts(window: Window, keys: Keys) -> None:
    window.key("Space")
    window.key("PageDown")
    assert keys.aliases == {"PgDown": "Space"}
    window.shell.show_page("test")
    window.key("PageDown")
    assert window.footer()[-1] == ("Esc", "Back")


def test_a_taught_key_stands_in_the_footer(window: Window, keys: Keys) -> None:
    window.key("Space")
    window.key("PageDown")
    assert window.shell._footer._shown[0][0] == "Space or PgDown"


def test_a_refused_key_is_told_and_the_next_is_waited_for(window: Window, keys: Keys) -> None:
    window.key("Space")
    window.key("F1")  # does not turn the page now
    assert window.shell.page.key == "keys"
    assert keys.aliases == {}
    window.key("PageUp")
    assert keys.aliases == {"PgUp": "Space"}


def test_esc_teaches_nothing_and_leaving_the_page_ends_it(window: Window, keys: Keys) -> None:
    window.key("Space")
    window.key("Escape")
    window.key("PageDown")
    assert keys.aliases == {}
    window.key("Space")
    window.shell.show_page("test")
    window.shell.show_page("keys")
    window.key("PageDown")
    assert keys.aliases == {}


def test_forgetting(window: Window, keys: Keys) -> None:
    window.key("Down")
    window.key("Space")
    window.key("PageUp")
    assert keys.aliases == {"PgUp": "Esc"}
    window.key("Delete")
    assert keys.aliases == {}


def test_no_key_of_the_window_can_be_taught_but_those_that_only_scroll() -> None:
    """Every key that any page lists, read from the source."""
    used = {
        key
        for file in sorted((ROOT / "ui" / "window").glob("*.py"))
        for key in ACTION_KEY.findall(Path(file).read_text(encoding="utf-8"))
    }
    assert {"Space", "Esc", "R", "Return"} <= used
    assert {role.key for role in ROLES} <= used
    for key in used - {"PgDown", "PgUp"}:
        assert Keys().refusal(key, ROLES[0]), key
    assert not used & (MOVING - {"Return", "Up", "Down", "Left", "Right", "Del", "Home", "End"})
    assert not used & PAGES
