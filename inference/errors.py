"""
Everything that can go wrong on purpose.

    CrestgaugeError
    +-- PhotoError       a file that cannot be read as one still photograph
    +-- InputError       a value handed to the pure core that breaks its contract
    +-- CriteriaError    a criteria file that does not pass its checks
    +-- WeightsError     weights whose hash, contract or name is not as the manifest says
    +-- ReadingError     a reading file that does not follow the schema
    +-- CardError        a photo card that cannot be printed as asked
    +-- LedgerError      a ledger that cannot be opened, or that refuses what is written to it
    +-- ExchangeError    a table or file for import or export that cannot be used

A picture that can be opened but not aged is no error: it gets a reading with outcome ``retake``.
Messages follow one order: where - what was found - what was needed - what to do.
"""

from __future__ import annotations


class CrestgaugeError(Exception):
    """Base of all errors that the command line reports without a traceback."""


class PhotoError(CrestgaugeError):
    """The file cannot be read as one still photograph within the limits."""


class InputError(CrestgaugeError, ValueError):
    """An argument breaks the contract of a function of the core."""


class CriteriaError(CrestgaugeError):
    """A criteria file has an unknown key, a gap, a missing source, or a value out of range."""


class WeightsError(CrestgaugeError):
    """Weights are unknown, damaged, or not what the manifest says."""


class ReadingError(CrestgaugeError):
    """A reading file does not follow ``crestgauge.reading/1``."""


class CardError(CrestgaugeError):
    """A photo card cannot be printed as asked, or was printed at an impossible size."""


class LedgerError(CrestgaugeError):
    """A ledger cannot be opened, is of another version, or refuses what is written to it."""


class ExchangeError(CrestgaugeError):
    """A table or file for import or export cannot be read, written or understood."""
