import math
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from bridge.log import schema, store
from bridge.log.entries import (
    ConfirmationEntry,
    EventEntry,
    NoteEntry,
    PositionEntry,
    ReinstatementEntry,
    TrimEntry,
    WithdrawalEntry,
)
from bridge.log.export import record_of
from bridge.log.faults import LogError
from bridge.log.queries import Selection, calibrations, config_of, lines, position_of, steps_of, trims
from bridge.log.store import Store, open_reader
from bridge.procedure.preparation import Confirmation
from tests.log.examples import HIGH, LEVEL, START_NS, STEPS, TRIM

VERSION_1 = Path(__file__).with_name("version_1.sql").read_text(encoding="utf-8")


@pytest.fixture
def version_1(path: Path) -> Path:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.executescript(VERSION_1)
    return path


def test_migrations_are_numbered_without_a_gap() -> None:
    found = schema.migrations()
    assert [migration.version for migration in found] == list(range(1, len(found) + 1))


def test_the_mark_is_the_word_trim_in_the_file(path: Path) -> None:
    Store(path).close()
    # "The application ID ... 4-byte big-endian integer at offset 68": SQLite, Database File Format, 1.3.
    assert path.read_bytes()[68:72] == b"trim"
    assert path.read_bytes()[60:64] == schema.newest_version().to_bytes(4, "big")


def test_a_log_of_version_1_is_read_as_it_is(version_1: Path) -> None:
    before = version_1.read_bytes()
    with closing(open_reader(version_1)) as connection:
        _check_version_1(connection)
    assert version_1.read_bytes() == before


def test_a_log_that_the_daemon_migrates_while_it_is_opened_is_read(
    version_1: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = store.version_of
    before: list[int] = []

    def asked_just_before(connection: sqlite3.Connection, path: Path) -> int:
        version = asked(connection, path)
        if not before:
            before.append(version)
            Store(version_1).close()  # the first start of the daemon after an update
        return version

    monkeypatch.setattr(store, "version_of", asked_just_before)
    with closing(open_reader(version_1)) as connection:
        _check_version_1(connection)
    assert before == [1]


def test_a_log_of_version_1_is_migrated_and_resumed(version_1: Path, log) -> None:
    resumption, ids = log(
        TrimEntry(TRIM, ((12.5, -0.8), (13.0, 0.01))), at_ns=START_NS + 600 * 10**9, steps=(LEVEL, HIGH)
    )
    assert (resumption.calibration, resumption.resumed) == ("20261125-1", True)
    assert (resumption.step, resumption.bank, resumption.next_sequence) == (2, 3, 3)
    assert [one.id for one in resumption.trims] == ["20261125-1.1", "20261125-1.2"]
    assert ids == ["20261125-1.3"]
    with closing(open_reader(version_1)) as connection:
        _check_version_1(connection, also=1)
        rows = connection.execute("SELECT version FROM migrations ORDER BY version").fetchall()
        assert rows == [(version,) for version in range(1, schema.newest_version() + 1)]
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_the_migrated_schema_is_that_of_a_new_log(version_1: Path, tmp_path: Path) -> None:
    Store(version_1).close()
    fresh = tmp_path / "fresh.db"
    Store(fresh).close()
    assert _columns(version_1) == _columns(fresh)


def _columns(path: Path) -> set[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        names = connection.execute("SELECT type, name FROM sqlite_master").fetchall()
        columns = connection.execute(
            'SELECT m.name, c.name, c.type, c."notnull", c.pk FROM sqlite_master m JOIN pragma_table_info(m.name) c '
            "WHERE m.type = 'table'"
        ).fetchall()
    return {*names, *columns}


def test_a_kind_that_nobody_knows_is_not_taken(path: Path, log) -> None:
    log(TrimEntry(TRIM))
    with closing(sqlite3.connect(path)) as connection, pytest.raises(sqlite3.IntegrityError, match="CHECK"):
        columns = [row[0] for row in connection.execute("SELECT name FROM pragma_table_info('trims')")]
        other = {"entry": "NULL", "id": "'other'", "sequence": "99", "kind": "'guess'"}
        chosen = ", ".join(other.get(column, column) for column in columns)
        connection.execute(f"INSERT INTO trims SELECT {chosen} FROM trims")


def test_a_migration_that_fails_leaves_the_version_before(version_1: Path) -> None:
    broken = schema.Migration(2, "broken", "CREATE TABLE halfway (x); INSERT INTO nowhere VALUES (1);")
    with closing(sqlite3.connect(version_1, isolation_level=None)) as connection:
        with pytest.raises(sqlite3.OperationalError, match="nowhere"):
            schema.migrate(connection, 1, (broken,))
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
        assert connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'halfway'").fetchone() == (0,)
        assert connection.execute("SELECT version FROM migrations").fetchall() == [(1,)]
    with closing(open_reader(version_1)) as connection:
        _check_version_1(connection)


def test_a_newer_log_is_refused_for_writing_and_reading(path: Path) -> None:
    Store(path).close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 99")
    for attempt in (Store, open_reader):
        with pytest.raises(LogError, match=r"newer program \(version 99.*update trimbridge") as refusal:
            attempt(path)
        assert not refusal.value.passing


def test_every_table_only_grows(path: Path, log) -> None:
    log(
        TrimEntry(TRIM),
        WithdrawalEntry("1", "tablet", START_NS),
        ReinstatementEntry("1", "tablet", START_NS),
        WithdrawalEntry("1", "tablet", START_NS),
        NoteEntry("n", START_NS),
        EventEntry("k", "m", START_NS),
        PositionEntry(2, 1, START_NS),
        ConfirmationEntry(Confirmation("heads cleaned", "keyboard", START_NS)),
    )
    log(at_ns=START_NS + 1)
    log(at_ns=START_NS + 2, fresh=True)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        assert {"trims", "withdrawals", "reinstatements", "confirmations", "migrations"} <= set(tables)
        for table in tables:
            before = connection.execute(f"SELECT * FROM {table}").fetchall()
            assert before, table
            column = connection.execute(f"SELECT name FROM pragma_table_info('{table}')").fetchone()[0]
            for harm in (
                f"UPDATE {table} SET {column} = {column}",
                f"DELETE FROM {table}",
                f"INSERT OR REPLACE INTO {table} SELECT * FROM {table} LIMIT 1",
            ):
                with pytest.raises(sqlite3.IntegrityError, match="the log only grows"):
                    connection.execute(harm)
            assert connection.execute(f"SELECT * FROM {table}").fetchall() == before


def test_steps_and_config_come_back(path: Path, log) -> None:
    resumption, _ = log(config="# first")
    log(at_ns=START_NS + 1, config="# second")
    with closing(open_reader(path)) as connection:
        assert steps_of(connection, resumption.calibration) == STEPS
        assert config_of(connection, resumption.calibration) == "# second"
        assert config_of(connection, "20200101-1") is None


def _check_version_1(connection: sqlite3.Connection, also: int = 0) -> None:
    found = list(trims(connection))[:3]
    assert [(one.id, one.trim.track, one.trim.as_left_db) for one in found] == [
        ("20261118-1.1", 8, 0.125),
        ("20261125-1.1", 3, 0.0625),
        ("20261125-1.2", 4, 0.25),
    ]
    assert [one.withdrawal is not None for one in found] == [False, False, True]
    assert all(math.isnan(one.trim.standard_error_db) and one.trim.kind is None for one in found)
    assert [(record["standard_error_db"], record["kind"]) for record in map(record_of, found)] == [(None, None)] * 3
    assert len(list(trims(connection, Selection(calibration="20261125-1")))) == 2 + also
    assert [one.id for one in calibrations(connection)] == ["20261118-1", "20261125-1"]
    assert position_of(connection, "20261125-1") == (2, 3)
    assert steps_of(connection, "20261125-1") == (LEVEL, HIGH)
    assert [(line.kind, line.text) for line in lines(connection)] == [
        ("note", "capstan squeaks"),
        ("source lost", "no samples for 0.5 s"),
    ]
