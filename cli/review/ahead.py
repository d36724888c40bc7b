"""Photos made ready before they are opened, one at a time, the last asked for first."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from typing import Final

MOST_WAITING: Final = 64
"""More than a page of the queue, which has 50 rows; what was asked for longest ago is forgotten."""


class Ahead:
    """
    One thread that makes photos ready; whoever asks never waits.

    Parameters
    ----------
    make : callable
        Makes the photo of this id ready. What it raises is left to whoever opens the photo: they meet it
        again.
    """

    def __init__(self, make: Callable[[int], None]) -> None:
        self._make = make
        self._waiting: OrderedDict[int, None] = OrderedDict()
        self._change = threading.Condition()
        self._thread: threading.Thread | None = None
        self._ended = False

    def ask(self, photo_id: int) -> None:
        """Make this photo ready before all that wait."""
        with self._change:
            if self._ended:
                return
            self._waiting[photo_id] = None
            self._waiting.move_to_end(photo_id)
            while len(self._waiting) > MOST_WAITING:
                self._waiting.popitem(last=False)
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="ahead", daemon=True)
                self._thread.start()
            self._change.notify()

    def stop(self) -> None:
        """Forget what waits, and wait for the photo in hand."""
        with self._change:
            self._ended = True
            self._waiting.clear()
            self._change.notify()
            thread = self._thread
        if thread is not None:
            thread.join()

    def _run(self) -> None:
        while True:
            with self._change:
                self._change.wait_for(lambda: self._waiting or self._ended)
                if self._ended:
                    return
                photo_id, _ = self._waiting.popitem()
            with suppress(Exception):
                self._make(photo_id)
