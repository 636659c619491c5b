"""Store: results of a cohort in one embedded database, by the content and settings that they came from."""

import errno
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from torsion.errors import TorsionError

__all__ = ["STORE_VERSION", "Store", "StoreError"]

STORE_VERSION = 1
"""Kept in the database's ``user_version``; raised when its tables change."""

_APPLICATION = 0x746F7273  # "tors", in the database's application_id
_TABLE = "CREATE TABLE results (key TEXT PRIMARY KEY, record TEXT NOT NULL)"


class StoreError(TorsionError):
    """The database is of another kind or version, or another run is using it."""


class Store:
    """Records by key; what `add` has returned from survives the end of the process at any moment.

    Only measured pairs are kept.  Why a pair could not be measured is found anew each time, which costs
    little and may have changed.

    Parameters
    ----------
    path : Path
        Made where it does not exist.  One process at a time.

    Raises
    ------
    StoreError
        If the file is no store of this version, or another run has it open.
    OSError
        If it cannot be opened or written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        path.touch()  # says in the usual words why that is not possible
        self._database = sqlite3.connect(path, timeout=0.0, isolation_level=None)
        try:
            with self._faults():
                self._open()
        except BaseException:
            self._database.close()
            raise

    def _open(self) -> None:
        # Held until the connection closes, and let go by the system when the process is killed.
        self._database.execute("PRAGMA locking_mode = EXCLUSIVE")
        self._database.execute("BEGIN EXCLUSIVE")
        version = self._pragma("user_version")
        empty = not self._database.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        if empty and version == 0:
            self._database.execute(_TABLE)
            self._database.execute(f"PRAGMA user_version = {STORE_VERSION}")
            self._database.execute(f"PRAGMA application_id = {_APPLICATION}")
        elif self._pragma("application_id") != _APPLICATION or version != STORE_VERSION:
            msg = (
                f"'{self._path}' must be a store of version {STORE_VERSION}, but is one of version {version} "
                "or another database; choose another folder"
            )
            raise StoreError(msg)
        self._database.execute("COMMIT")

    def _pragma(self, name: str) -> int:
        return int(self._database.execute(f"PRAGMA {name}").fetchone()[0])

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._database.close()

    def add(self, records: Iterable[tuple[str, Mapping[str, Any]]]) -> None:
        """Keep records, all or none of them.

        Raises
        ------
        OSError
            If they cannot be written, as on a full disk; what was kept before stays.
        """
        lines = [(key, json.dumps(record, ensure_ascii=False, allow_nan=False)) for key, record in records]
        with self._faults():
            self._database.execute("BEGIN")
            try:
                self._database.executemany("INSERT OR REPLACE INTO results VALUES (?, ?)", lines)
                self._database.execute("COMMIT")
            except BaseException:
                if self._database.in_transaction:
                    self._database.execute("ROLLBACK")
                raise

    def get(self, key: str) -> dict[str, Any] | None:
        """Record of a key; None where there is none."""
        with self._faults():
            found = self._database.execute("SELECT record FROM results WHERE key = ?", (key,)).fetchone()
        return None if found is None else dict(json.loads(found[0]))

    def __contains__(self, key: str) -> bool:
        with self._faults():
            return (
                self._database.execute("SELECT 1 FROM results WHERE key = ?", (key,)).fetchone() is not None
            )

    def __len__(self) -> int:
        with self._faults():
            return int(self._database.execute("SELECT count(*) FROM results").fetchone()[0])

    @contextmanager
    def _faults(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as fault:
            code = getattr(fault, "sqlite_errorcode", 0) & 0xFF  # the lower byte holds the kind
            if code == sqlite3.SQLITE_BUSY:
                msg = f"another run is using '{self._path}'; wait for it or choose another folder"
                raise StoreError(msg) from fault
            if code in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
                msg = f"'{self._path}' is no store or is damaged ({fault}); choose another folder"
                raise StoreError(msg) from fault
            number = errno.ENOSPC if code == sqlite3.SQLITE_FULL else errno.EIO
            raise OSError(number, str(fault), str(self._path)) from fault
