"""
Opening a ledger and adding rows to it. Edge module: talks to a database and looks at the clock.

SQLite by default: a file in write-ahead-log mode that syncs at each commit, so that a row that was reported
as written survives a power cut. PostgreSQL by URL, for a ledger that an office shares. The schema is made, or
brought up to date, when a ledger is opened; two programs that open it at once wait for each other.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import event
from sqlalchemy.engine import URL, Connection, Engine, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, NoSuchModuleError

from crestgauge.inference.errors import LedgerError
from crestgauge.inference.ledger import migrations
from crestgauge.inference.ledger.tables import APPEND_ONLY, Base

BUSY_TIMEOUT_S = 30.0
"""How long a writer waits for another one before it says that the ledger is locked. [s]"""
_RETRY_S = 0.02
_LOCK_ID = 0x63726573  # "cres", for PostgreSQL's advisory lock during migration


def utc_now() -> datetime:
    """The clock of this machine, in UTC."""
    return datetime.now(UTC)


def ledger_url(text: str) -> URL:
    """
    What a user gives for a ledger, as a database URL: a file name (SQLite) or a URL.

    Raises
    ------
    LedgerError
        If it is a URL of a database that is not supported.
    """
    if "://" not in text:
        return URL.create("sqlite+pysqlite", database=str(Path(text).expanduser()))
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as error:
        raise LedgerError(
            f"ledger {text!r}: no URL that can be understood; needs a file or postgresql://..."
        ) from error
    kind = url.get_backend_name()
    if kind == "sqlite":
        return url.set(drivername="sqlite+pysqlite")
    if kind == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    raise LedgerError(
        f"ledger {kind}: not supported; needs a file name, sqlite:///FILE or postgresql://HOST/NAME."
    )


class Ledger:
    """
    An open ledger.

    Parameters
    ----------
    place : str
        File name, or URL (`ledger_url`).
    by : str
        Who writes: a person's or a program's name, put on every row.
    create : bool
        Make the file and the schema if they are not there.
    clock : callable
        Gives the time in UTC; another one only in tests.
    busy_timeout_s : float

    Raises
    ------
    LedgerError
        If it cannot be opened, is of a newer version, or is missing and not to be made.
    """

    def __init__(
        self,
        place: str,
        *,
        by: str = "crestgauge",
        create: bool = True,
        clock: Callable[[], datetime] = utc_now,
        busy_timeout_s: float = BUSY_TIMEOUT_S,
    ) -> None:
        self.url = ledger_url(place)
        self.by = by
        self.clock = clock
        self._newest: dict[str, str] = {}
        self.name = self.url.render_as_string(hide_password=True)
        if self.url.get_backend_name() == "sqlite":
            self.name = self.url.database or ":memory:"
            _check_file(self.name, create)
        self.engine = self._readable = make_engine(self.url, busy_timeout_s, self.name)
        if self.url.get_backend_name() == "postgresql":
            self._readable = self.engine.execution_options(isolation_level="REPEATABLE READ")
        try:
            with self._told():
                self._bring_up(create)
        except BaseException:
            self.engine.dispose()
            raise

    def close(self) -> None:
        """Release the connections. A closed ledger opens again on the next use."""
        self.engine.dispose()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection for queries; all of them see the same state."""
        with self._told(), self._readable.connect() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction that takes the write lock at its start: all its rows are kept, or none."""
        with (
            self._told(),
            self.engine.connect().execution_options(crestgauge_write=True) as connection,
            connection.begin(),
        ):
            yield connection

    def add(self, connection: Connection, table: str, values: Mapping[str, Any]) -> int:
        """
        Add one row, stamped with who and when.

        Parameters
        ----------
        connection : Connection
            Of `writing`.
        table : str
        values : mapping
            Columns of the table without id and stamp.

        Returns
        -------
        int
            The row's id.
        """
        target = Base.metadata.tables[table]
        stamped = {**values, **self._stamp(connection, table)}
        result = connection.execute(sa.insert(target).values(**stamped).returning(target.c.id))
        return int(result.scalar_one())

    def _stamp(self, connection: Connection, table: str) -> dict[str, Any]:
        """``recorded_at`` and whether the clock stood before the newest row of the table."""
        target = Base.metadata.tables[table]
        if table not in self._newest:
            latest = sa.select(target.c.recorded_at).order_by(target.c.id.desc()).limit(1)
            self._newest[table] = connection.execute(latest).scalar() or ""
        now = self.clock().astimezone(UTC).isoformat(timespec="microseconds")
        back = now < self._newest[table]
        self._newest[table] = max(now, self._newest[table])
        return {"recorded_at": now, "recorded_by": self.by[:120], "clock_back": back}

    def _bring_up(self, create: bool) -> None:
        """Compare the schema's version with ours; migrate under a lock if it is older."""
        script = ScriptDirectory.from_config(migration_config(None))
        head = script.get_current_head()
        with self.engine.connect() as connection:
            found = MigrationContext.configure(connection).get_current_revision()
        if found == head:
            return
        if found is not None and found not in {step.revision for step in script.walk_revisions()}:
            raise LedgerError(
                f"{self.name}: written by a newer crestgauge (schema {found}; this one knows up to {head}). "
                "Update crestgauge."
            )
        if found is None and not create:
            raise LedgerError(
                f"{self.name}: no ledger is there. Check the name, or make one with a command that writes."
            )
        with self.writing() as connection:
            if self.url.get_backend_name() == "postgresql":
                connection.execute(sa.text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK_ID})
            if MigrationContext.configure(connection).get_current_revision() != head:
                command.upgrade(migration_config(connection), "head")

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn the database's complaints into sentences."""
        try:
            yield
        except (DBAPIError, sqlite3.Error) as error:
            # Constraints are the caller's business; a trigger's refusal arrives as an IntegrityError on
            # SQLite.
            if isinstance(error, IntegrityError) and "only added" not in str(error.orig):
                raise
            raise LedgerError(f"{self.name}: {_sentence(str(getattr(error, 'orig', error)))}") from error


def _sentence(words: str) -> str:
    """What a database's words mean for the user, and what to do."""
    plain = " ".join(words.split())
    for mark, meaning in (
        ("only added", f"{plain.split('CONTEXT')[0].strip()}."),
        (
            "is locked",
            "another program holds the ledger's write lock. Close it or wait; nothing was written.",
        ),
        (
            "disk is full",
            "the disk is full. Free some space; rows written before are safe, this one was not written.",
        ),
        (
            "disk I/O error",
            "the disk refused to write (full, or failing). Rows written before are safe, this one is not.",
        ),
        (
            "readonly database",
            "the ledger or its folder is read-only. Change the permissions or choose another place.",
        ),
        ("unable to open", "cannot be opened. Check that the folder exists and may be written."),
        ("not a database", "this file is no ledger. Choose another name."),
        ("malformed", "the file is damaged. Restore a copy; do not go on writing."),
    ):
        if mark in plain:
            return meaning
    return f"the database says: {plain}"


def _check_file(name: str, create: bool) -> None:
    if name == ":memory:":
        return
    path = Path(name)
    if not create and not path.exists():
        raise LedgerError(
            f"{name}: no ledger is there. Check the name, or make one with a command that writes."
        )
    if not path.parent.is_dir():
        raise LedgerError(f"{name}: its folder does not exist. Make it first, or choose another place.")


def migration_config(connection: Connection | None) -> Config:
    """Settings of the migration tool; ``connection`` is None where only the scripts are asked for."""
    config = Config()
    config.set_main_option("script_location", str(Path(migrations.__path__[0])).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


def make_engine(url: URL, busy_timeout_s: float, name: str) -> Engine:
    """
    Connections to a ledger, on SQLite with the settings that it needs.

    Raises
    ------
    LedgerError
        If the driver is not installed.
    """
    if url.get_backend_name() == "sqlite":
        engine = sa.create_engine(url, connect_args={"timeout": busy_timeout_s})
        event.listen(engine, "connect", _sqlite_settings)
        event.listen(engine, "begin", _sqlite_begin)
        return engine
    try:
        return sa.create_engine(url, pool_pre_ping=True, connect_args={"connect_timeout": 10})
    except (ImportError, NoSuchModuleError) as error:
        raise LedgerError(
            f'{name}: the PostgreSQL driver is not installed. Run: pip install "crestgauge[postgres]"'
        ) from error


def _sqlite_settings(connection: sqlite3.Connection, _: object) -> None:
    connection.isolation_level = None  # we begin transactions ourselves, see _sqlite_begin
    cursor = connection.cursor()
    for setting in (
        # FULL, not the NORMAL usual with WAL: NORMAL may drop the last commits when the power goes
        # (sqlite.org/pragma.html#pragma_synchronous).
        "synchronous = FULL",
        "foreign_keys = ON",
        # Without it, INSERT OR REPLACE deletes rows past the triggers (sqlite.org/lang_conflict.html).
        "recursive_triggers = ON",
    ):
        cursor.execute(f"PRAGMA {setting}")
    _write_ahead(cursor)
    cursor.close()


def _write_ahead(cursor: sqlite3.Cursor) -> None:
    """
    Put a new file into write-ahead-log mode, waiting for another program that is at it too.

    SQLite does not call its busy handler where waiting could be a deadlock, and two programs that switch the
    same new file are such a case (sqlite.org/c3ref/busy_handler.html): the waiting has to be done here.
    """
    (wait_ms,) = cursor.execute("PRAGMA busy_timeout").fetchone()
    give_up = time.monotonic() + wait_ms / 1000
    while True:
        try:
            cursor.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            # A ledger on a read-only disk can still be looked at.
            if "readonly" in str(error):
                return
            if "locked" not in str(error) or time.monotonic() >= give_up:
                raise
        time.sleep(_RETRY_S)


def _sqlite_begin(connection: Connection) -> None:
    # IMMEDIATE takes the write lock now: a transaction that reads first and writes later could otherwise fail
    # midway.
    write = connection.get_execution_options().get("crestgauge_write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


__all__ = ["APPEND_ONLY", "Ledger", "ledger_url", "utc_now"]
