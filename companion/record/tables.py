"""The file of the logbook: how it is opened, read and written, and what its errors mean."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import msgspec
import sqlite_utils

from companion.record.schema import known_steps, steps


class LogbookError(Exception):
    """The logbook cannot be used: which file, what is wrong with it, and what to do, in one line.

    `damaged`: the file's contents are broken, so that only another file helps. `busy`:
    another program is writing to it, and it may be had later. `newer`: a newer version
    of the companion wrote it.
    """

    newer = False

    def __init__(
        self,
        path: Path,
        what: str,
        remedy: str,
        *,
        damaged: bool = False,
        busy: bool = False,
    ) -> None:
        super().__init__(f"logbook {path}: {what}; {remedy}")
        self.path = path
        self.what = what
        self.remedy = remedy
        self.damaged = damaged
        self.busy = busy


class Tables:
    """The tables (`schema.py`) in the file `path`, made or brought up to date when it is opened.

    Args:
        patience: how long to wait for another program that is writing to it, s.
        before_reading: called before a query, to write what it is to find.

    Raises:
        LogbookError: the file is locked, read-only, damaged, no logbook, or written by
            a newer version. Every method raises it when the file fails later.
    """

    def __init__(
        self, path: Path, patience: float, before_reading: Callable[[], None]
    ) -> None:
        self.path = path
        self._before_reading = before_reading
        with self.plain_errors():
            self._db = _connect(path, patience)
            try:
                self._prepare()
            except BaseException:
                self._db.close()
                raise

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def copy_to(self, path: Path) -> None:
        """Write a copy of the whole logbook as it is now, also when its own file is no longer there.

        Raises:
            LogbookError: the copy cannot be written, or this one not be read.
        """
        with self.plain_errors(), closing(sqlite3.connect(path)) as copy:
            self._db.conn.backup(copy)

    def faults(self) -> list[str]:
        """Return what SQLite's integrity and foreign-key checks find wrong: nothing, in a sound logbook."""
        try:
            found = [
                str(row["integrity_check"])
                for row in self.rows("PRAGMA integrity_check")
            ]
            loose = self.rows("PRAGMA foreign_key_check")
        except LogbookError as error:  # damaged so badly that the check itself stumbles
            return [error.what]
        return [line for line in found if line != "ok"] + [
            f"a row of {row['table']} has no trip" for row in loose
        ]

    def _prepare(self) -> None:
        self._refuse_strangers()
        if self._db.execute("PRAGMA journal_mode = wal").fetchone()[0] != "wal":
            raise self.error(
                "it cannot keep a write-ahead log there", "put it on a local disk"
            )
        for pragma in ("synchronous = full", "foreign_keys = on"):
            self._db.execute(f"PRAGMA {pragma}")
        if steps.pending(self._db):
            with self.transaction():
                steps.apply(self._db)

    def _refuse_strangers(self) -> None:
        done = {step.name for step in steps.applied(self._db)}
        if not done and set(self._db.table_names()) - {steps.migrations_table}:
            raise self.error("it is a database, but no logbook", "give another file")
        unknown = done - known_steps()
        if unknown:
            error = self.error(
                f"a newer version of the companion wrote it (it has had step {max(unknown)!r})",
                "update the companion, or give another file",
            )
            error.newer = True
            raise error

    def rows(self, sql: str, *arguments: object) -> list[dict[str, Any]]:
        """Return the rows a query gives, what waits to be committed among them."""
        with self.plain_errors():
            self._before_reading()
            return list(self._db.query(sql, list(arguments)))

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """One transaction on the tables (`schema.py`), all of it or nothing; what it yields takes the SQL.

        It is begun as a writer, so that it cannot lose the file half way through.
        """
        with self.plain_errors():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db.conn
                self._db.commit()
            except BaseException:
                self._db.rollback()
                raise

    @contextmanager
    def plain_errors(self) -> Iterator[None]:
        """Raise what goes wrong inside as `LogbookError`."""
        try:
            yield
        except (msgspec.MsgspecError, UnicodeDecodeError) as error:
            what = f"a row of it cannot be read ({error})"
            raise LogbookError(
                self.path, what, "restore a backup", damaged=True
            ) from error
        except sqlite3.Error as error:
            code = _code_of(error)
            damaged = code in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT)
            busy = code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
            raise LogbookError(
                self.path, *_explained(error), damaged=damaged, busy=busy
            ) from error
        except OSError as error:
            raise self.error(
                error.strerror or str(error), "give a file in a folder you may write to"
            ) from error

    def error(self, what: str, remedy: str) -> LogbookError:
        """Return an error about this logbook: what is wrong with it, and what to do."""
        return LogbookError(self.path, what, remedy)


def _connect(path: Path, patience: float) -> sqlite_utils.Database:
    path.parent.mkdir(parents=True, exist_ok=True)
    with suppress(OSError):
        path.touch(mode=0o600)  # SQLite gives its log and its index the same
    connection = sqlite3.connect(path, timeout=patience, isolation_level=None)
    return sqlite_utils.Database(connection, execute_plugins=False)


def _explained(error: sqlite3.Error) -> tuple[str, str]:
    """Return what an SQLite error means to the logbook's owner, and what to do about it."""
    return _MEANINGS.get(
        _code_of(error), (str(error), "check the file, or give another")
    )


def _code_of(error: sqlite3.Error) -> int:
    """Return the primary code: the low byte (SQLite's documentation, "Result and Error Codes")."""
    return getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF


_MEANINGS: Mapping[int, tuple[str, str]] = {
    sqlite3.SQLITE_BUSY: (
        "another program is writing to it",
        "close that program and try again",
    ),
    sqlite3.SQLITE_LOCKED: (
        "another program is writing to it",
        "close that program and try again",
    ),
    sqlite3.SQLITE_READONLY: ("it is read-only", "give a file you may write to"),
    sqlite3.SQLITE_CANTOPEN: (
        "it cannot be opened",
        "give a file in a folder you may write to",
    ),
    sqlite3.SQLITE_NOTADB: (
        "it is damaged, or no logbook",
        "move it aside and a new one is begun",
    ),
    sqlite3.SQLITE_CORRUPT: ("it is damaged", "move it aside and a new one is begun"),
    sqlite3.SQLITE_FULL: ("the disk is full", "free some space"),
    sqlite3.SQLITE_IOERR: (
        "the disk cannot be read or written",
        "check the disk and its space",
    ),
}
