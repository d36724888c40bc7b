"""
What the server must not forget when it is stopped: paired devices, photos that wait to be read, who has seen
what.

Edge module: one small SQLite file beside the ledger, readable by its owner only, synced at each commit. Of a
device's token only a hash is kept: whoever copies the file cannot act as a device. Nothing of it belongs into
the ledger, whose rows stay for ever.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import sqlite3
import threading
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal

from crestgauge.inference.errors import LedgerError

SESSION_DAYS: Final = 30
"""A device is to be paired again after this; ours: one season's opening weeks."""
JOB_DAYS: Final = 7
"""Finished uploads are forgotten after this (their photos and readings are not)."""
_DAY_S: Final = 86_400.0
_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS sessions (
    id TEXT PRIMARY KEY, created REAL NOT NULL, reader TEXT NOT NULL, blind INTEGER NOT NULL,
    experience TEXT NOT NULL, ask TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS jobs (
    id TEXT PRIMARY KEY, created REAL NOT NULL, sha256 TEXT NOT NULL, location TEXT NOT NULL,
    specimen_id TEXT NOT NULL, person TEXT NOT NULL, state TEXT NOT NULL, words TEXT NOT NULL,
    photo_id INTEGER);
CREATE TABLE IF NOT EXISTS seen (
    who TEXT NOT NULL, photo_id INTEGER NOT NULL, PRIMARY KEY (who, photo_id)) WITHOUT ROWID;
"""

JobState = Literal["waiting", "done", "failed", "stuck"]
"""
waiting: to be read. done: filed. failed: no reading can be had. stuck: the reader or the ledger refused it;
tried again when the server starts.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """
    One browser on one device.

    Parameters
    ----------
    id : str
        Hash of its token, hexadecimal.
    csrf : str
        What every form of this session carries; made from the token, so it is known only while the token is.
    reader, experience : str
        As the reader gave them; empty = not named yet.
    blind : bool
    ask : str
        Query of the queue last looked at: where "next" leads.
    created : float
        Seconds since the epoch.
    """

    id: str
    csrf: str
    reader: str = ""
    experience: str = ""
    blind: bool = False
    ask: str = ""
    created: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One photo that was taken in and is safe on disk; ``words`` says why where it failed."""

    id: str
    created: float
    sha256: str
    location: str
    specimen_id: str
    person: str
    state: JobState
    words: str = ""
    photo_id: int | None = None


def token_id(token: str) -> str:
    """What is kept of a token."""
    return hashlib.sha256(b"session " + token.encode()).hexdigest()


def csrf_of(token: str) -> str:
    """The form token that belongs to a session token; tells nothing of it."""
    return hashlib.sha256(b"form " + token.encode()).hexdigest()[:40]


class State:
    """
    The file, opened. Safe to share between threads.

    Parameters
    ----------
    path : Path
        Made if missing, with permissions for its owner only.

    Raises
    ------
    LedgerError
        If it cannot be opened or written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.RLock()
        try:
            os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
            os.chmod(path, 0o600)
            self._db = sqlite3.connect(path, check_same_thread=False, timeout=30.0, isolation_level=None)
            # A rollback journal leaves one file, with the permissions set here.
            self._db.execute("PRAGMA journal_mode = DELETE")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.executescript(_SCHEMA)
        except (OSError, sqlite3.Error) as error:
            raise LedgerError(
                f"{path}: cannot be opened ({error}). It keeps paired devices and waiting photos; check the "
                "folder's permissions."
            ) from error
        self._db.row_factory = sqlite3.Row
        now = time.time()
        self._run("DELETE FROM sessions WHERE created < ?", (now - SESSION_DAYS * _DAY_S,))
        self._run(
            "DELETE FROM jobs WHERE state IN ('done', 'failed') AND created < ?", (now - JOB_DAYS * _DAY_S,)
        )
        self._sessions = {row["id"]: dict(row) for row in self._all("SELECT * FROM sessions")}
        self._seen = {(row["who"], row["photo_id"]) for row in self._all("SELECT * FROM seen")}

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()

    def new_session(self) -> tuple[str, Session]:
        """A token nobody had, for a cookie, and its session, kept."""
        token = secrets.token_urlsafe(32)
        session = Session(id=token_id(token), csrf=csrf_of(token), created=time.time())
        self.keep(session)
        return token, session

    def session(self, token: str) -> Session | None:
        """The session of a token, None where there is none or it is too old."""
        row = self._sessions.get(token_id(token))
        if row is None or row["created"] < time.time() - SESSION_DAYS * _DAY_S:
            return None
        return Session(
            id=row["id"],
            csrf=csrf_of(token),
            reader=row["reader"],
            experience=row["experience"],
            blind=bool(row["blind"]),
            ask=row["ask"],
            created=row["created"],
        )

    def keep(self, session: Session) -> None:
        """Keep a session as it is now."""
        row = {name: getattr(session, name) for name in ("id", "created", "reader", "experience", "ask")}
        row["blind"] = int(session.blind)
        with self._lock:
            self._run(
                "INSERT OR REPLACE INTO sessions (id, created, reader, blind, experience, ask) "
                "VALUES (:id, :created, :reader, :blind, :experience, :ask)",
                row,
            )
            self._sessions[session.id] = row

    def forget_devices(self) -> int:
        """Forget every session; how many there were."""
        with self._lock:
            count = len(self._sessions)
            self._run("DELETE FROM sessions", ())
            self._sessions.clear()
        return count

    def add_job(self, job: Job) -> None:
        """Keep a job; from here on its photo is not lost."""
        values = {name: getattr(job, name) for name in Job.__dataclass_fields__}
        self._run(
            "INSERT INTO jobs (id, created, sha256, location, specimen_id, person, state, words, photo_id) "
            "VALUES (:id, :created, :sha256, :location, :specimen_id, :person, :state, :words, :photo_id)",
            values,
        )

    def end_job(self, job: Job, state: JobState, *, words: str = "", photo_id: int | None = None) -> Job:
        """Keep what became of a job."""
        self._run(
            "UPDATE jobs SET state = ?, words = ?, photo_id = ? WHERE id = ?",
            (state, words, photo_id, job.id),
        )
        return replace(job, state=state, words=words, photo_id=photo_id)

    def job(self, job_id: str) -> Job | None:
        """A job by its id."""
        rows = self._all("SELECT * FROM jobs WHERE id = ?", (job_id,))
        return Job(**dict(rows[0])) if rows else None

    def open_jobs(self) -> list[Job]:
        """Jobs that are not finished, oldest first."""
        rows = self._all("SELECT * FROM jobs WHERE state IN ('waiting', 'stuck') ORDER BY created, id")
        return [Job(**dict(row)) for row in rows]

    def note_seen(self, session: Session, photo_id: int) -> None:
        """Note that this device and its reader have seen the proposal of a photo."""
        new = [(who, photo_id) for who in _names(session) if (who, photo_id) not in self._seen]
        if not new:
            return
        marks = ", ".join(["(?, ?)"] * len(new))
        self._run(
            f"INSERT OR IGNORE INTO seen (who, photo_id) VALUES {marks}", [v for row in new for v in row]
        )
        self._seen.update(new)

    def has_seen(self, session: Session, photo_id: int) -> bool:
        """Whether this device, or this reader on any device, has seen the proposal of a photo."""
        return any((who, photo_id) in self._seen for who in _names(session))

    def _run(self, statement: str, values: Any) -> None:
        self._all(statement, values)

    def _all(self, statement: str, values: Any = ()) -> list[sqlite3.Row]:
        try:
            with self._lock:
                return self._db.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            raise LedgerError(f"{self.path}: {error}. Check disk space and permissions.") from error


def _names(session: Session) -> list[str]:
    names = ["device " + session.id]
    if session.reader:
        names.append("reader " + " ".join(session.reader.split()).casefold())
    return names
