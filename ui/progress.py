"""Progress on the error stream, and only where a person looks: output stays clean for scripts."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click


@contextmanager
def bar(label: str, length: int | None) -> Iterator[Callable[[int], object]]:
    """A bar of `length` pieces (None: nobody knows); yields what takes the number of further pieces done."""
    with click.progressbar(
        length=length, label=f"{label:<12}", file=sys.stderr, hidden=not sys.stderr.isatty()
    ) as shown:
        yield shown.update


@contextmanager
def working(label: str) -> Iterator[None]:
    """Say what is being done while nobody knows how long it takes; the line goes when it is done."""
    seen = sys.stderr.isatty()
    if seen:
        click.echo(f"{label} ...", err=True, nl=False)
    try:
        yield
    finally:
        if seen:
            click.echo(f"\r{' ' * (len(label) + 4)}\r", err=True, nl=False)
