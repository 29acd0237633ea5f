import fcntl
import os
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from bridge.log.entries import TrimEntry
from bridge.log.faults import LogError
from bridge.log.queries import trims
from bridge.log.store import Store, default_path, open_reader
from bridge.log.writing import write_entry
from tests.log.examples import TRIM, log_files
from tests.log.processes import start_writing


def refusal_of(attempt: Callable[[Path], object], path: Path) -> LogError:
    with pytest.raises(LogError) as caught:
        attempt(path)
    assert "\n" not in str(caught.value)
    return caught.value


def test_every_commit_is_synced_to_the_medium(path: Path) -> None:
    with closing(Store(path)) as store:

        def asked(name: str) -> object:
            return store.connection.execute(f"PRAGMA {name}").fetchone()[0]

        assert asked("journal_mode") == "wal"
        # SQLite, PRAGMA synchronous: FULL (2) syncs the write-ahead log after each transaction commit in WAL mode.
        assert asked("synchronous") == 2
        assert asked("fullfsync") == asked("checkpoint_fullfsync") == 1
        assert asked("foreign_keys") == 1
        assert asked("busy_timeout") == 100


@pytest.mark.parametrize("content", [b"RIFF\x24\x08\x00\x00WAVEfmt " + bytes(2048), b"to whom it may concern\n" * 99])
def test_a_file_that_is_no_database_is_refused_and_untouched(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    for attempt in (Store, open_reader):
        refusal = refusal_of(attempt, path)
        assert "is not a log of this program" in str(refusal)
        assert not refusal.passing
    assert path.read_bytes() == content
    assert log_files(path) == ["log.db"]


@pytest.mark.parametrize("pragma", ["user_version = 0", "user_version = 2", "application_id = 77"])
def test_another_programs_database_is_refused_and_untouched(path: Path, pragma: str) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(f"CREATE TABLE trims (id); PRAGMA {pragma};")
    content = path.read_bytes()
    for attempt in (Store, open_reader):
        assert "another program's database" in str(refusal_of(attempt, path))
    assert path.read_bytes() == content
    assert log_files(path) == ["log.db"]


def test_a_missing_directory_is_not_made(tmp_path: Path) -> None:
    path = tmp_path / "nowhere" / "log.db"
    refusal = refusal_of(Store, path)
    assert "directory of the log" in str(refusal)
    assert "is missing" in str(refusal)
    assert not path.parent.exists()
    assert "there is no log" in str(refusal_of(open_reader, path))


def test_the_users_data_directory_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setattr(sys, "platform", "linux")
    # XDG Base Directory Specification: $XDG_DATA_HOME is where user-specific data files are stored.
    assert default_path() == tmp_path / "data" / "trimbridge" / "trimbridge.db"
    practice = default_path().with_name("practice.db")  # that of the simulated recorder
    Store(practice).close()
    assert practice.is_file()
    Store(default_path()).close()
    assert default_path().is_file()


def test_a_directory_in_place_of_the_log_is_refused(tmp_path: Path) -> None:
    assert "is not a file" in str(refusal_of(Store, tmp_path))


def test_a_name_with_the_signs_of_an_address_is_a_name(tmp_path: Path) -> None:
    path = tmp_path / "50% #1?mode=memory&x.db"
    Store(path).close()
    assert path.is_file()
    open_reader(path).close()


def test_a_damaged_log_is_refused(path: Path, log) -> None:
    log(*[TrimEntry(TRIM, ((1.0, 2.0),) * 100)] * 50)
    content = bytearray(path.read_bytes())
    content[4096:] = os.urandom(len(content) - 4096)
    path.write_bytes(content)
    refusal = refusal_of(Store, path)
    assert "is damaged" in str(refusal)
    assert not refusal.passing


def test_two_processes_do_not_write_one_log(path: Path) -> None:
    with start_writing(path) as writing:
        writing.read("at ")
        refusal = refusal_of(Store, path)
        assert str(refusal) == (
            f"the log {path} is being written by process {writing.pid}: end it, or name another log"
        )
        assert not refusal.passing
        with closing(open_reader(path)) as connection:
            list(trims(connection))


def test_one_process_does_not_write_one_log_twice(path: Path) -> None:
    with closing(Store(path)):
        assert f"process {os.getpid()}" in str(refusal_of(Store, path))


def test_the_lock_of_a_killed_process_blocks_nobody(path: Path) -> None:
    with start_writing(path) as writing:
        writing.read("at ")
        writing.kill()
    assert path.with_name("log.db.lock").read_text() == f"{writing.pid}\n"
    Store(path).close()


def test_a_lock_file_without_a_number_is_explained(path: Path) -> None:
    with path.with_name("log.db.lock").open("w") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        assert "another process" in str(refusal_of(Store, path))


def test_a_read_only_log_is_refused_but_read(public_path: Path, as_ordinary_user: Callable[[], None]) -> None:
    Store(public_path).close()
    public_path.chmod(0o444)
    public_path.parent.chmod(0o555)
    as_ordinary_user()
    refusal = refusal_of(Store, public_path)
    assert refusal.passing
    open_reader(public_path).close()


def test_a_read_only_file_in_a_writable_directory_is_refused(
    public_path: Path, as_ordinary_user: Callable[[], None]
) -> None:
    Store(public_path).close()
    public_path.chmod(0o444)
    public_path.parent.chmod(0o777)
    public_path.with_name("log.db.lock").chmod(0o666)
    as_ordinary_user()
    refusal = refusal_of(Store, public_path)
    assert "is read-only: give write permission" in str(refusal)
    assert refusal.passing


def test_a_log_is_read_from_a_read_only_directory_while_it_is_written(
    public_path: Path, as_ordinary_user: Callable[[], None]
) -> None:
    with start_writing(public_path) as writing:
        writing.read("at ")
        first = writing.read("id ")
        for file in public_path.parent.iterdir():
            file.chmod(0o444)
        public_path.parent.chmod(0o555)
        as_ordinary_user()
        with closing(open_reader(public_path)) as connection:
            assert first in [one.id for one in trims(connection)]
            second = writing.read("id ")
            assert second in [one.id for one in trims(connection)]


def test_a_log_that_was_not_closed_cannot_be_read_from_a_read_only_directory(
    public_path: Path, as_ordinary_user: Callable[[], None]
) -> None:
    with start_writing(public_path) as writing:
        writing.read("id ")
        writing.kill()
    public_path.with_name("log.db-shm").unlink()
    public_path.parent.chmod(0o555)
    as_ordinary_user()
    assert "copy it with log.db-wal into a directory you can write to" in str(refusal_of(open_reader, public_path))


def test_a_log_that_may_not_be_read_is_refused(public_path: Path, as_ordinary_user: Callable[[], None]) -> None:
    Store(public_path).close()
    public_path.chmod(0o000)
    as_ordinary_user()
    assert "look at the permissions" in str(refusal_of(open_reader, public_path))


def test_a_directory_that_may_not_be_entered_is_refused(
    public_path: Path, as_ordinary_user: Callable[[], None]
) -> None:
    Store(public_path).close()
    public_path.parent.chmod(0o000)
    as_ordinary_user()
    for attempt in (Store, open_reader):
        refusal = refusal_of(attempt, public_path)
        assert str(refusal).endswith("Permission denied")
        assert refusal.passing


def test_a_log_that_was_moved_away_takes_no_commit(path: Path, log) -> None:
    resumption, _ = log()
    with closing(Store(path)) as store:
        path.rename(path.with_name("elsewhere.db"))
        with (
            pytest.raises(LogError, match="moved or removed") as caught,
            store.transaction(lambda: False) as connection,
        ):
            write_entry(connection, resumption.calibration, TrimEntry(TRIM))
        assert caught.value.passing
