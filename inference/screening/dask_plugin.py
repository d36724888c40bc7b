"""What dask runs on every worker; apart, because it can only be imported where dask is installed."""

from __future__ import annotations

from typing import Any

from distributed.diagnostics.plugin import WorkerPlugin

from crestgauge.inference.screening.cluster import KnownHere


class KnownHashes(WorkerPlugin):  # type: ignore[misc]  # mypy skips distributed (pyproject.toml): Any
    """
    Tells each worker which photos the ledger has.

    Parameters
    ----------
    known : frozenset of str
        sha256 of photos that need no reading.
    """

    def __init__(self, known: frozenset[str]) -> None:
        self.known = frozenset(bytes.fromhex(sha256) for sha256 in known)

    def setup(self, worker: Any) -> None:
        """Called on every worker, also on those that join later."""
        KnownHere.hashes = self.known
