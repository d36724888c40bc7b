"""What the server says no with: a status and one sentence."""

from __future__ import annotations

from crestgauge.inference.errors import CrestgaugeError, LedgerError, PhotoError


class Refused(Exception):
    """
    A request that is not served.

    Parameters
    ----------
    status : int
        HTTP status.
    words : str
        One sentence for the person at the other end.
    retry_s : int or None
        When to try again. [s]
    """

    def __init__(self, status: int, words: str, *, retry_s: int | None = None) -> None:
        super().__init__(words)
        self.status, self.words, self.retry_s = status, words, retry_s


def status_of(error: CrestgaugeError) -> int:
    """HTTP status of an error of the domain."""
    if isinstance(error, LedgerError):
        if "is not in the ledger" in str(error):
            return 404
        return 409
    return 422 if isinstance(error, PhotoError) else 400
