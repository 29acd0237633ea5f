"""The log as a sink, on real files: what is announced is on disk, and what is not is refused with the reason."""

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.log.calibrations import Resumption
from bridge.log.entries import (
    Committed,
    EventEntry,
    FinishEntry,
    NoteEntry,
    PositionEntry,
    Refused,
    TrimEntry,
    WithdrawalEntry,
)
from bridge.log.faults import LogError
from bridge.log.queries import lines, position_of, trims
from bridge.log.store import open_reader
from bridge.sinks.log import LogWriter
from tests.log.examples import START_NS, TRIM, opening
from tests.log.processes import DEADLINE_S, start_writing
from tests.log.users import ordinary_user, public_directory
from tests.system.disk import is_allowed_to_mount, small_disk

ENTRY = TrimEntry(TRIM)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.db"


@contextmanager
def writer_of(path: Path, **options: int) -> Iterator[LogWriter]:
    writer = LogWriter(path, **options)
    try:
        yield writer
    finally:
        writer.close(DEADLINE_S)
        assert not writer._thread.is_alive()


def results_of(writer: LogWriter, count: int = 1) -> list[Committed | Refused | Resumption]:
    """Take exactly so many results, waiting as the metering thread does: by asking again."""
    found: list[Committed | Refused | Resumption] = []
    wait_for(lambda: found.extend(writer.take_results()) or len(found) >= count)
    assert len(found) == count
    return found


def wait_for(is_so: Callable[[], bool]) -> None:
    end_s = time.monotonic() + DEADLINE_S
    while not is_so():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.005)


def logged(path: Path) -> list[str]:
    with closing(open_reader(path)) as connection:
        return [one.id for one in trims(connection)]


@contextmanager
def locked(path: Path) -> Iterator[None]:
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def test_a_trim_is_on_disk_when_it_is_announced(path: Path) -> None:
    with writer_of(path) as writer:
        resumption = writer.start(opening())
        assert resumption is not None
        assert not resumption.resumed
        writer.submit(ENTRY, tag="request 9")
        (result,) = results_of(writer)
        assert result == Committed(ENTRY, "request 9", f"{resumption.calibration}.1")
        assert logged(path) == [result.id]
        assert (writer.state, writer.problem, writer.refused_trims) == ("writing", "", 0)


def test_results_come_one_for_each_entry_in_their_order(path: Path) -> None:
    with writer_of(path) as writer:
        writer.start(opening())
        entries = [
            ENTRY,
            WithdrawalEntry("1", "tablet", START_NS, "wrong screw"),
            WithdrawalEntry("1", "tablet", START_NS),
            WithdrawalEntry("7", "tablet", START_NS),
            NoteEntry("n", START_NS),
            EventEntry("source lost", "no samples for 0.5 s", START_NS),
            PositionEntry(2, 1, START_NS),
            TrimEntry(replace(TRIM, target_vu=float("nan"))),
            TrimEntry(replace(TRIM, track=0)),
            NoteEntry("\ud800", START_NS),
            PositionEntry(2, 0, START_NS),
            TrimEntry(replace(TRIM, track=2**70)),
            ENTRY,
            FinishEntry(START_NS),
            ENTRY,
        ]
        for tag, entry in enumerate(entries):
            writer.submit(entry, tag)
        found = results_of(writer, len(entries))
        assert [result.entry for result in found] == entries
        assert [result.tag for result in found] == list(range(len(entries)))
        assert [isinstance(result, Committed) for result in found] == [
            True, True, False, False, True, True, True, False, False, False, False, False, True, True, False,
        ]  # fmt: skip
        reasons = [result.reason for result in found if isinstance(result, Refused)]
        assert all(reason and "\n" not in reason for reason in reasons)
        assert "already withdrawn" in reasons[0]
        assert "there is no trim" in reasons[1]
        # Two trims were logged, with numbers that leave no gap.
        assert [result.id.partition(".")[2] for result in found if isinstance(result, Committed) and result.id] == [
            "1", "1", "2",
        ]  # fmt: skip
        assert writer.refused_trims == 4
        assert writer.state == "writing", "an entry that makes no sense is not a fault of the log"


def test_it_resumes_after_closing(path: Path) -> None:
    with writer_of(path) as writer:
        first = writer.start(opening())
        writer.submit(ENTRY)
        writer.submit(PositionEntry(3, 2, START_NS))
        results = writer.close(DEADLINE_S)
        assert [type(result) for result in results] == [Committed, Committed]
    with writer_of(path) as writer:
        again = writer.start(opening())
        assert first is not None
        assert again is not None
        assert (again.calibration, again.resumed, again.step, again.bank) == (first.calibration, True, 3, 2)
        assert again.next_sequence == 2


def test_submitting_does_not_wait_for_a_locked_log(path: Path) -> None:
    with writer_of(path) as writer:
        writer.start(opening())
        with locked(path):
            # The lock is ours, so a submit that waited for it would wait for ever.
            for _ in range(10):
                writer.submit(ENTRY)
            assert writer.take_results() == []
            assert logged(path) == []
        assert all(isinstance(result, Committed) for result in results_of(writer, 10))
        assert len(logged(path)) == 10


def test_a_log_that_stays_locked_refuses_and_recovers(path: Path) -> None:
    with writer_of(path) as writer:
        writer.start(opening())
        with locked(path):
            writer.submit(ENTRY)
            (refused,) = results_of(writer)
            assert isinstance(refused, Refused)
            assert refused.reason == f"another program keeps the log {path} locked: close it"
            assert (writer.state, writer.problem) == ("refusing", refused.reason)
        wait_for(lambda: writer.state == "writing")
        writer.submit(ENTRY)
        assert isinstance(results_of(writer)[0], Committed)


def test_a_full_queue_refuses_at_once_and_tells_the_log_later(path: Path) -> None:
    with writer_of(path, capacity=4) as writer:
        writer.start(opening())
        with locked(path):
            writer.submit(ENTRY, "held")
            wait_for(writer._queue.empty)
            for tag in range(6):
                writer.submit(ENTRY, tag)
            refused = writer.take_results()
            assert [result.tag for result in refused] == [4, 5]
            assert {result.reason for result in refused} == {"the log does not keep up: 4 entries wait for the disk"}
            assert writer.refused_trims == 2
        assert [result.tag for result in results_of(writer, 5)] == ["held", 0, 1, 2, 3]
        writer.submit(ENTRY)
        results_of(writer)
        with closing(open_reader(path)) as connection:
            (line,) = lines(connection)
        assert line.details["entries"] == 2


def test_a_removed_directory_refuses_until_it_is_put_back(tmp_path: Path) -> None:
    path = tmp_path / "here" / "log.db"
    path.parent.mkdir()
    with writer_of(path) as writer:
        resumption = writer.start(opening())
        assert resumption is not None
        writer.submit(ENTRY)
        results_of(writer)
        away = tmp_path / "away"
        path.parent.rename(away)
        for reason in ("moved or removed: put it back", "directory of the log"):
            writer.submit(ENTRY)
            (refused,) = results_of(writer)
            assert isinstance(refused, Refused)
            assert reason in refused.reason
            assert writer.state == "refusing"
        assert not path.exists(), "a log that vanished is not begun anew"
        away.rename(path.parent)
        wait_for(lambda: writer.state == "writing")
        writer.submit(ENTRY)
        (result,) = results_of(writer)
        assert isinstance(result, Committed)
        with closing(open_reader(path)) as connection:
            (line,) = lines(connection)
            assert "2 entries could not be written" in line.text
    assert result.id.endswith(".2")
    assert len(logged(path)) == 2, "what was refused is not in the log"


def test_a_removed_file_refuses(path: Path) -> None:
    with writer_of(path) as writer:
        writer.start(opening())
        for file in list(path.parent.iterdir()):
            file.unlink()
        for _ in range(2):
            writer.submit(ENTRY)
            (refused,) = results_of(writer)
            assert isinstance(refused, Refused)
            assert refused.reason == f"the log {path} was moved or removed: put it back"
        assert not path.exists()


def test_another_log_in_its_place_refuses(path: Path) -> None:
    with writer_of(path) as writer:
        writer.start(opening())
        other = path.with_name("other.db")
        with writer_of(other) as second:
            second.start(opening(at_ns=START_NS + 86_400 * 10**9))
        writer.submit(ENTRY)
        (kept,) = results_of(writer)
        assert isinstance(kept, Committed)
        first = path.with_name("first.db")
        path.rename(first)
        other.rename(path)
        for reason in ("was moved or removed", "is not the log of calibration"):
            writer.submit(ENTRY)
            (refused,) = results_of(writer)
            assert isinstance(refused, Refused)
            assert reason in refused.reason
    assert logged(path) == []
    assert logged(first) == [kept.id], "what was announced has moved with the file"


def test_the_last_position_is_written_when_the_log_comes_back(path: Path) -> None:
    with writer_of(path) as writer:
        resumption = writer.start(opening())
        assert resumption is not None
        path.rename(path.with_name("away.db"))
        writer.submit(PositionEntry(2, 1, START_NS))
        writer.submit(PositionEntry(3, 2, START_NS))
        assert all(isinstance(result, Refused) for result in results_of(writer, 2))
        path.with_name("away.db").rename(path)
        wait_for(lambda: writer.state == "writing")
        with closing(open_reader(path)) as connection:
            assert position_of(connection, resumption.calibration) == (3, 2)


def test_a_read_only_log_refuses_from_the_start_and_recovers() -> None:
    with public_directory() as directory, ordinary_user() as drop:
        drop()
        path = directory / "log.db"
        with writer_of(path) as writer:
            writer.start(opening())
        path.chmod(0o444)
        with writer_of(path) as writer:
            assert writer.start(opening()) is None
            assert writer.state == "refusing"
            assert "is read-only: give write permission" in writer.problem
            writer.submit(ENTRY)
            (refused,) = results_of(writer)
            assert isinstance(refused, Refused)
            assert refused.reason == writer.problem
            path.chmod(0o644)
            (resumption,) = results_of(writer)
            assert isinstance(resumption, Resumption)
            assert resumption.resumed
            writer.submit(ENTRY)
            (result,) = results_of(writer)
            assert isinstance(result, Committed)


def check_full_disk(path: Path, fill: Callable[[], None], make_space: Callable[[], None], writing, reason: str) -> None:
    calibration = writing.read("at ").split()[0]
    announced = [writing.read("id ")]
    fill()
    while (line := writing.line()) and not line.startswith("no "):
        if line.startswith("id "):
            announced.append(line.removeprefix("id "))
    assert reason in line
    while not (line := writing.line()).startswith("state"):
        assert not line.startswith("id ")
    assert line.startswith("state refusing the ")
    make_space()
    announced.append(writing.read("id "))
    while "state writing" not in (line := writing.line()):
        assert line
    writing.kill()
    while line := writing.line():
        if line.startswith("id "):
            announced.append(line.removeprefix("id "))
    found = logged(path)
    assert not set(announced) - set(found)
    assert found == [f"{calibration}.{number}" for number in range(1, len(found) + 1)]
    with closing(open_reader(path)) as connection:
        assert "log refused" in {line.kind for line in lines(connection)}
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_file_that_may_not_grow_refuses_and_recovers(path: Path) -> None:
    """The limit of the operating system on the size of a file: works for every user."""
    with start_writing(path) as writing:
        check_full_disk(
            path,
            lambda: writing.tell("limit 300000"),
            lambda: writing.tell("limit none"),
            writing,
            "reports an error (SQLITE_IOERR_WRITE): full, over quota, or failing",
        )


if is_allowed_to_mount():
    # Elsewhere the check above stands for it: no user but root can make a disk that is full.
    def test_a_full_disk_refuses_and_recovers(tmp_path: Path) -> None:
        with small_disk(tmp_path) as disk, start_writing(disk / "log.db") as writing:
            ballast = disk / "ballast"

            def fill() -> None:
                writing.tell("limit none")
                with ballast.open("wb", buffering=0) as file, pytest.raises(OSError, match="No space left"):
                    while True:
                        file.write(bytes(4096))

            check_full_disk(disk / "log.db", fill, ballast.unlink, writing, "is full: make space")

    def test_a_disk_that_is_full_at_the_start_refuses_and_recovers(tmp_path: Path) -> None:
        with small_disk(tmp_path) as disk:
            ballast = disk / "ballast"
            with ballast.open("wb", buffering=0) as file, pytest.raises(OSError, match="No space left"):
                while True:
                    file.write(bytes(4096))
            with writer_of(disk / "log.db") as writer:
                assert writer.start(opening()) is None
                writer.submit(ENTRY)
                (refused,) = results_of(writer)
                assert isinstance(refused, Refused)
                assert refused.reason == f"the disk with the log {disk / 'log.db'} is full: make space"
                ballast.unlink()
                (resumption,) = results_of(writer)
                assert isinstance(resumption, Resumption)
                writer.submit(ENTRY)
                assert isinstance(results_of(writer)[0], Committed)


@pytest.mark.parametrize("fault", ["missing", "stranger", "written"])
def test_what_needs_another_file_ends_the_start(tmp_path: Path, path: Path, fault: str) -> None:
    with writer_of(path) as other:
        if fault == "missing":
            path = tmp_path / "nowhere" / "log.db"
        elif fault == "stranger":
            path.write_text("to whom it may concern\n" * 99)
        else:
            other.start(opening())
        writer = LogWriter(path)
        with pytest.raises(LogError):
            writer.start(opening())
        assert writer.close() == []


def test_closing_writes_what_waits(path: Path) -> None:
    with writer_of(path) as writer:
        writer.start(opening())
        for _ in range(200):
            writer.submit(ENTRY)
        results = writer.close(DEADLINE_S)
        assert len(results) == 200
        assert all(isinstance(result, Committed) for result in results)
    # The write-ahead log has gone into the log: one file to copy.
    assert sorted(file.name for file in path.parent.iterdir()) == ["log.db", "log.db.lock"]
    assert len(logged(path)) == 200


def test_closing_gives_up_in_time_and_says_what_was_not_written(path: Path) -> None:
    with writer_of(path) as writer:
        writer.start(opening())
        with locked(path):
            for tag in range(100):
                writer.submit(ENTRY, tag)
            results = writer.close(0.2)
            assert [result.tag for result in results] == list(range(100))
            assert all(isinstance(result, Refused) for result in results)
            assert results[-1].reason == "the log was closed before this was written"
        writer.submit(ENTRY, "late")
        (late,) = writer.take_results()
        assert late == Refused(ENTRY, "late", "the log is closed")
    assert logged(path) == []


def test_closing_does_not_wait_for_a_disk_that_does_not_answer(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The commit hangs as it does on a network disk that is gone: in the system call, where nothing reaches it."""
    answers = threading.Event()
    with writer_of(path) as writer:
        writer.start(opening())
        assert writer._store is not None
        writer._store.connection.set_trace_callback(
            lambda statement: answers.wait(DEADLINE_S) and None if statement == "COMMIT" else None
        )
        monkeypatch.setattr("bridge.sinks.log.STUCK_S", 0.0)
        writer.submit(ENTRY, "stuck")
        wait_for(lambda: writer.state == "refusing")
        assert writer.problem == f"the disk with the log {path} does not answer"
        writer.submit(ENTRY, "behind")
        results = writer.close(0.05)
        assert [(result.tag, type(result)) for result in results] == [("stuck", Refused), ("behind", Refused)]
        assert "look into the log whether it is there" in results[0].reason
        answers.set()


def test_a_stumbling_writer_goes_on(path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with writer_of(path) as writer:
        writer.start(opening())
        writer.submit(42)  # type: ignore[arg-type]
        writer.submit(TrimEntry(None))  # type: ignore[arg-type]
        assert all(isinstance(result, Refused) for result in results_of(writer, 2))
        writer.submit(ENTRY)
        assert isinstance(results_of(writer)[0], Committed)
    assert "stumbled" in caplog.text


def test_flushing_waits_for_the_results(path: Path) -> None:
    with writer_of(path) as writer:
        writer.start(opening())
        with locked(path):
            writer.submit(ENTRY)
            assert not writer.flush(0.0)
        assert writer.flush(DEADLINE_S)
        assert len(writer.take_results()) == 1
