"""A queue between two threads with a limit in bytes: `put` waits for room, `offer` does without."""

from __future__ import annotations

import threading
from collections import deque
from typing import Generic, TypeVar

Item = TypeVar("Item")


class BoundedQueue(Generic[Item]):
    """First in, first out. Any number of threads put, one takes."""

    def __init__(self, most_bytes: int, most_items: int) -> None:
        self._most_bytes, self._most_items = most_bytes, most_items
        self._items: deque[tuple[Item, int]] = deque()
        self._bytes = 0
        self._changed = threading.Condition()

    @property
    def bytes(self) -> int:
        """What waits."""
        return self._bytes

    def __len__(self) -> int:
        return len(self._items)

    def put(self, item: Item, size: int = 0) -> None:
        """Add one item of `size` bytes; waits until there is room. An empty queue takes any size."""
        with self._changed:
            while not self._has_room(size):
                self._changed.wait()
            self._add(item, size)

    def offer(self, item: Item, size: int = 0) -> bool:
        """Add one item if there is room for it; whether there was."""
        with self._changed:
            if room := self._has_room(size):
                self._add(item, size)
        return room

    def take(self, most: int, timeout_s: float | None = None) -> list[Item]:
        """Up to `most` items; waits for the first one, and gives none when it does not come in time."""
        with self._changed:
            if not self._items:
                self._changed.wait_for(lambda: bool(self._items), timeout_s)
            taken = [self._items.popleft() for _ in range(min(most, len(self._items)))]
            self._bytes -= sum(size for _, size in taken)
            self._changed.notify_all()
        return [item for item, _ in taken]

    def _has_room(self, size: int) -> bool:
        fits = self._bytes + size <= self._most_bytes and len(self._items) < self._most_items
        return fits or not self._items

    def _add(self, item: Item, size: int) -> None:
        self._items.append((item, size))
        self._bytes += size
        self._changed.notify_all()
