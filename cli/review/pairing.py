"""
Pairing a device: a code that is shown on the terminal, good for one device, and hard to guess. Pure but for
random numbers.
"""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Final

LETTERS: Final = "ABCDEFGHJKMNPQRSTVWXYZ23456789"
"""Without signs that are mistaken for each other (I L O U 0 1)."""
LENGTH: Final = 8
"""30^8 = 6.6e11 codes: at `MOST_TRIES_ALL` a window, guessing one takes some 50,000 years on average."""
WINDOW_S: Final = 300.0
MOST_TRIES: Final = 5
"""Wrong codes from one address within the window."""
MOST_TRIES_ALL: Final = 60
"""Wrong codes from all addresses together within the window."""


class Pairing:
    """
    The code that is good now.

    Parameters
    ----------
    clock : callable
        Seconds that never go back; another one only in tests.
    """

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._wrong: deque[tuple[float, str]] = deque()
        self.code = new_code()

    def wait_s(self, address: str) -> float:
        """How long an address has to wait before it may try again; 0 where it may now. [s]"""
        with self._lock:
            return self._wait_s(address)

    def try_code(self, text: str, address: str) -> bool:
        """
        Whether ``text`` is the code. A code that was right is used up: the next one is in `code`.

        An address that has to wait is told no, whatever it sends.
        """
        with self._lock:
            if self._wait_s(address) > 0:
                return False
            given = "".join(letter for letter in text.upper() if letter in LETTERS)
            if hmac.compare_digest(given, self.code.replace("-", "")):
                self.code = new_code()
                return True
            self._wrong.append((self._clock(), address))
            return False

    def _wait_s(self, address: str) -> float:
        now = self._clock()
        while self._wrong and self._wrong[0][0] <= now - WINDOW_S:
            self._wrong.popleft()
        own = [when for when, who in self._wrong if who == address]
        waits = [0.0]
        if len(own) >= MOST_TRIES:
            waits.append(own[-MOST_TRIES] + WINDOW_S - now)
        if len(self._wrong) >= MOST_TRIES_ALL:
            waits.append(self._wrong[-MOST_TRIES_ALL][0] + WINDOW_S - now)
        return max(waits)


def new_code() -> str:
    """A random code, in two groups to be read aloud."""
    signs = "".join(secrets.choice(LETTERS) for _ in range(LENGTH))
    return f"{signs[:4]}-{signs[4:]}"
