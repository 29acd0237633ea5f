"""The schema of the log: numbered SQL files in, a database at the newest version out.

``application_id`` marks a file as ours, ``user_version`` is the number of the last migration applied. A migration, its
number and its record are one transaction: a cut in the middle leaves the version before.
"""

import re
import sqlite3
import time
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Final

from bridge.log.faults import LogError

APPLICATION_ID: Final = 0x7472696D
"""The letters "trim" in ASCII, in the four bytes that SQLite keeps for this at offset 68 of the file."""


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the schema, from ``version - 1`` to ``version``."""

    version: int
    name: str
    sql: str


@cache
def migrations() -> tuple[Migration, ...]:
    """Return all migrations in order, from the SQL files of the package: ``0001_what_it_adds.sql`` and on."""
    found = [
        Migration(int(match[1]), match[2], file.read_text(encoding="utf-8"))
        for file in files("bridge.log").joinpath("migrations").iterdir()
        if (match := re.fullmatch(r"(\d{4})_(\w+)\.sql", file.name))
    ]
    return tuple(sorted(found, key=lambda migration: migration.version))


def newest_version() -> int:
    """Return the version that this program writes."""
    return migrations()[-1].version


def version_of(connection: sqlite3.Connection, path: Path) -> int:
    """Return the version of a database, 0 when it is still empty.

    Raises
    ------
    LogError
        When it is another program's database, or of a newer version than this program knows.
    """
    check_mark(connection, path)
    version = _pragma(connection, "user_version")
    if version > newest_version():
        raise LogError(
            f"the log {path} was written by a newer program (version {version}, this one knows up to "
            f"{newest_version()}): update trimbridge"
        )
    return version


def check_mark(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a database that is neither ours nor empty, with a `LogError`."""
    mark = _pragma(connection, "application_id")
    if mark == APPLICATION_ID:
        return
    is_empty = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    if mark != 0 or _pragma(connection, "user_version") != 0 or not is_empty:
        raise LogError(f"{path} is another program's database: name another file")


def migrate(connection: sqlite3.Connection, version: int, steps: tuple[Migration, ...] | None = None) -> None:
    """Bring a database from ``version`` to the newest, one transaction a migration.

    Parameters
    ----------
    connection : sqlite3.Connection
        With ``isolation_level=None``.
    version : int
        Where it stands, from `version_of`.
    steps : tuple of Migration, optional
        All migrations in order; those of the package by default.
    """
    for step in migrations() if steps is None else steps:
        if step.version <= version:
            continue
        try:
            connection.executescript(
                f"BEGIN IMMEDIATE;\n{step.sql}\n"
                f"PRAGMA application_id = {APPLICATION_ID};\n"
                f"PRAGMA user_version = {step.version};\n"
                f"INSERT INTO migrations VALUES ({step.version}, '{step.name}', {time.time_ns()});\n"
                "COMMIT;"
            )
        except sqlite3.Error:
            if connection.in_transaction:
                connection.rollback()
            raise


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])
