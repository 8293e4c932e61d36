"""Orders are answered in turn, and their failures come in words."""

from __future__ import annotations

import threading

import pytest

from recordings.errors import StorageError
from ui.visit.orders import Orders


def test_answers_come_in_the_order_of_the_calls_and_only_by_tick() -> None:
    orders, gate, seen = Orders("made up"), threading.Event(), []
    orders.ask(lambda: gate.wait(10.0) and "first", seen.append)
    orders.ask(lambda: "second", seen.append)
    orders.tick()
    assert seen == []
    gate.set()
    orders.wait()
    assert seen == ["first", "second"]
    orders.close()


def test_wait_also_waits_for_what_an_answer_asks() -> None:
    orders, seen = Orders("made up"), []
    orders.ask(lambda: 1, lambda one: orders.ask(lambda: one + 1, seen.append))
    orders.wait()
    assert seen == [2]
    orders.close()


def test_a_failure_of_the_recorder_is_words_and_any_other_is_raised() -> None:
    orders, said = Orders("made up"), []

    def full() -> None:
        raise StorageError("The disk is full.")

    def fault() -> None:
        raise KeyError("programmer")

    orders.ask(full, failed=said.append)
    orders.wait()
    assert said == ["The disk is full."]
    orders.ask(fault)
    with pytest.raises(KeyError):
        orders.wait()
    orders.close()


def test_what_is_not_begun_may_be_dropped_and_is_never_called() -> None:
    orders, begun, gate, called = Orders("made up"), threading.Event(), threading.Event(), []
    orders.ask(lambda: begun.set() or gate.wait(10.0), lambda _: called.append("first"))
    orders.ask(lambda: called.append("second"))
    assert begun.wait(10.0)
    orders.drop()
    gate.set()
    orders.close()
    assert called == ["first"]
