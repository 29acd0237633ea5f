"""The plug pulled a hundred times: what was announced is in the log, the log opens, the calibration goes on."""

import random
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

from tests.log.processes import Writing, start_writing

ROUNDS = 100
SEED = random.SystemRandom().randrange(10**9)


def wait_s(seconds: float) -> None:
    """Let a random moment pass: what is random about the kill is the point of the test, not a condition to wait for."""
    threading.Event().wait(seconds)


def kill_at_random(writing: Writing, chance: random.Random) -> list[str]:
    """Kill the process somewhere between its first instruction and its fortieth trim; return all that it said."""
    said: list[str] = []
    if chance.random() < 0.2:
        wait_s(chance.uniform(0.0, 0.25))
    else:
        said.extend(writing.line() for _ in range(chance.randint(1, 40)))
        wait_s(chance.uniform(0.0, 0.003))
    writing.kill()
    while line := writing.line():
        said.append(line)
    assert "" not in said, f"it ended by itself: {writing.complaints()}"
    return said


def test_a_hundred_kills_lose_no_announced_trim(path: Path) -> None:
    chance = random.Random(SEED)
    announced: list[str] = []
    logged = 0
    for number in range(ROUNDS):
        with start_writing(path) as writing:
            said = kill_at_random(writing, chance)
        if said and said[0].startswith("at "):
            # Nothing is lost and nothing is numbered twice: it goes on after the last trim that got to the disk.
            calibration, next_sequence = said[0].split()[1:]
            assert int(next_sequence) > len(announced), f"seed {SEED}, round {number}"
            announced.extend(line.removeprefix("id ") for line in said if line.startswith("id "))
            assert len(set(announced)) == len(announced)
            assert all(trim_id.startswith(f"{calibration}.") for trim_id in announced)
        if chance.random() < 0.5 and path.exists():
            # Half of the time the next process finds the log as the kill left it, half of the time as a reader does.
            logged = check(path, announced, logged, number)
    assert len(announced) > ROUNDS
    check(path, announced, logged, ROUNDS)


def check(path: Path, announced: list[str], logged: int, number: int) -> int:
    where = f"seed {SEED}, round {number}"
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",), where
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == [], where
        if connection.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,):
            assert not announced, where
            return 0
        found = [row[0] for row in connection.execute("SELECT id FROM trims ORDER BY sequence")]
        assert connection.execute("SELECT count(*) FROM calibrations").fetchone()[0] <= 1, where
    assert not set(announced) - set(found), where
    assert [int(trim_id.partition(".")[2]) for trim_id in found] == list(range(1, len(found) + 1)), where
    assert len(found) >= logged, where
    return len(found)
