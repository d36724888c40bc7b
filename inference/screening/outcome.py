"""One photo read, as plain values that can cross processes and machines; and keeping it in a ledger, once."""

from __future__ import annotations

import hashlib
import json
import time
import traceback
from dataclasses import asdict, dataclass
from typing import Any, Final, Protocol

from sqlalchemy.exc import IntegrityError

from crestgauge.inference.errors import ExchangeError, InputError, PhotoError
from crestgauge.inference.ledger.queries import has_failure
from crestgauge.inference.ledger.record import PhotoFacts, add_photo, add_reading, add_sighting, link_photo
from crestgauge.inference.ledger.specimen import check_id
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.photo import PhotoLimits, decode_photo
from crestgauge.inference.screening.looks import picture_hash
from crestgauge.inference.screening.sources import Item, read_bytes

KINDS: Final = ("reading", "photo", "bug", "killed", "known")


class PhotoReader(Protocol):
    """What screening needs of `crestgauge.inference.pipeline.Reader`."""

    versions: Any
    options: Any

    def read(self, source: Any) -> Any:
        """A result with ``reading``, ``crop`` and, where a card was seen, ``card``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """
    What became of one photo.

    Parameters
    ----------
    location : str
    kind : str
        "reading"; "known" (needs none); "photo" (no readable photo); "bug" (the reader broke); "killed" (its
        process died on it twice, or took too long).
    sha256 : str or None
        None where not even the bytes could be read.
    facts : PhotoFacts or None
    reading : str or None
        JSON text of ``crestgauge.reading/1``.
    card_id : str or None
        Specimen id on a card in the picture.
    message : str or None
        Why there is no reading.
    seconds : float
    """

    location: str
    kind: str
    sha256: str | None = None
    facts: PhotoFacts | None = None
    reading: str | None = None
    card_id: str | None = None
    message: str | None = None
    seconds: float = 0.0

    def to_json(self) -> str:
        """As one line of JSON."""
        return json.dumps(asdict(self), ensure_ascii=False, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> Outcome:
        """
        From one line of JSON.

        Raises
        ------
        ExchangeError
            If it is not what `to_json` writes.
        """
        try:
            values = json.loads(text)
            if values["kind"] not in KINDS:
                raise ValueError(values["kind"])
            facts = values.pop("facts")
            return cls(**values, facts=None if facts is None else PhotoFacts(**facts))
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise ExchangeError(
                f"part file: a line is no outcome ({error}). Read that shard again."
            ) from error


def read_item(reader: PhotoReader, item: Item) -> Outcome:
    """
    Read one photo. Never raises for what a file holds; a bug of the reader becomes kind "bug" with its last
    line.
    """
    started = time.perf_counter()
    sha256 = None
    try:
        data = read_bytes(item.location)
        sha256 = hashlib.sha256(data).hexdigest()
        limits: PhotoLimits = reader.options.photo_limits
        photo = decode_photo(data, name=item.location, limits=limits)
        del data
        result = reader.read(photo)
    except PhotoError as error:
        return _without(item, "photo", sha256, str(error), started)
    except MemoryError:
        return _without(item, "photo", sha256, f"{item.location}: not enough memory to read it.", started)
    except Exception as error:  # one bad file never stops the run; the traceback's end goes into the ledger
        last = traceback.extract_tb(error.__traceback__)[-1]
        spot = f"{last.filename.rsplit('/', 1)[-1]}:{last.lineno}"
        words = f"{item.location}: {type(error).__name__}: {error} ({spot})"
        return _without(item, "bug", sha256, words, started)
    facts = PhotoFacts(
        sha256=photo.sha256,
        width=photo.width,
        height=photo.height,
        format=photo.format,
        picture_hash=picture_hash(photo.pixels),
        row_hash=None if result.crop is None else picture_hash(result.crop),
    )
    card = getattr(result, "card", None)
    return Outcome(
        location=item.location,
        kind="reading",
        sha256=photo.sha256,
        facts=facts,
        reading=result.reading.to_json(),
        card_id=None if card is None else card.specimen_id,
        seconds=time.perf_counter() - started,
    )


def keep(
    ledger: Ledger, item: Item, outcome: Outcome, *, model: str, criteria: str, source: str = "list"
) -> str:
    """
    Put one outcome into the ledger, in one transaction.

    Parameters
    ----------
    source : str
        Who says that the photo shows ``item.specimen_id``: "list", or "person".

    Returns
    -------
    str
        "new"; "known" if the ledger has this photo by this model and criteria (another run was faster);
        "conflict" if the card in the picture names another animal than the list (the list stands).
    """
    try:
        return _keep(ledger, item, outcome, model, criteria, source)
    except IntegrityError:
        # Two runs on one PostgreSQL ledger both found something missing and added it; the unique keys let one
        # win. The loser's transaction is gone as a whole, so it looks again, and now finds what is there.
        return _keep(ledger, item, outcome, model, criteria, source)


def _keep(ledger: Ledger, item: Item, outcome: Outcome, model: str, criteria: str, source: str) -> str:
    with ledger.writing() as connection:
        if outcome.kind == "known" and outcome.sha256 is not None:
            add_sighting(connection, ledger, outcome.sha256, item.location)
            if item.specimen_id is not None:
                link_photo(connection, ledger, outcome.sha256, item.specimen_id, source=source)
            return "known"
        if outcome.kind != "reading" or outcome.facts is None or outcome.reading is None:
            if has_failure(connection, outcome.sha256, item.location, model, criteria, outcome.message or ""):
                return "known"
            values = {
                "sha256": outcome.sha256,
                "location": item.location,
                "kind": "photo" if outcome.kind == "reading" else outcome.kind,
                "message": outcome.message or "no reason given",
                "model_version": model,
                "criteria_version": criteria,
            }
            ledger.add(connection, "failures", values)
            if outcome.sha256 is not None:
                add_sighting(connection, ledger, outcome.sha256, item.location)
            return "new"
        photo_id = add_photo(connection, ledger, outcome.facts)
        add_sighting(connection, ledger, outcome.facts.sha256, item.location)
        verdict = _link(connection, ledger, item, outcome, source)
        added = add_reading(connection, ledger, photo_id, json.loads(outcome.reading), outcome.reading)
        return verdict if added is not None else "known"


def _link(connection: Any, ledger: Ledger, item: Item, outcome: Outcome, source: str) -> str:
    """Say which animal it is: the list or person first, then the card."""
    sha256 = outcome.facts.sha256 if outcome.facts else ""
    card_id = _usable(outcome.card_id)
    if item.specimen_id is not None:
        link_photo(connection, ledger, sha256, item.specimen_id, source=source)
        return "conflict" if card_id is not None and card_id != item.specimen_id else "new"
    if card_id is not None:
        link_photo(connection, ledger, sha256, card_id, source="card")
    return "new"


def _usable(card_id: str | None) -> str | None:
    """The id on a card, if it can be one: photos come from strangers, and so do the codes in them."""
    if card_id is None:
        return None
    try:
        check_id("specimen_id", card_id.strip())
    except InputError:
        return None
    return card_id.strip()


def _without(item: Item, kind: str, sha256: str | None, message: str, started: float) -> Outcome:
    return Outcome(
        location=item.location,
        kind=kind,
        sha256=sha256,
        message=message,
        seconds=time.perf_counter() - started,
    )
