from __future__ import annotations

import threading
import time

from recordings.bounded_queue import BoundedQueue


def test_first_in_first_out_up_to_as_many_as_are_asked_for() -> None:
    queue: BoundedQueue[int] = BoundedQueue(100, 10)
    for n in range(5):
        queue.put(n, 10)
    assert (queue.take(3), queue.bytes, len(queue)) == ([0, 1, 2], 20, 2)
    assert queue.take(3) == [3, 4]
    assert queue.take(3, 0.01) == []


def test_offer_takes_only_what_has_room() -> None:
    queue: BoundedQueue[int] = BoundedQueue(100, 3)
    assert queue.offer(1, 500)  # an empty queue takes any size, so that one giant is not stuck
    assert not queue.offer(2, 1)
    queue.take(1)
    assert [queue.offer(n, 40) for n in range(3)] == [True, True, False]
    assert queue.offer(3)
    assert not queue.offer(4)  # three items


def test_put_waits_for_room() -> None:
    queue: BoundedQueue[int] = BoundedQueue(100, 1)
    queue.put(1)
    later = threading.Thread(target=queue.put, args=(2,))
    later.start()
    time.sleep(0.05)
    assert later.is_alive()
    assert queue.take(5) == [1]
    later.join(5)
    assert queue.take(5, 1.0) == [2]
