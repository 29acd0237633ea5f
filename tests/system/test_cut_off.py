"""The power goes between a hand that has left a trimmer and the log that has not written it down yet."""

import json
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from tests.system.daemon import Ear
from tests.system.test_practice import Practice

TRACK = 3


def events(log: Path) -> list[tuple[str, str]]:
    """Kind and message of all events of a log, in the order of writing."""
    with closing(sqlite3.connect(f"{log.as_uri()}?mode=ro", uri=True)) as connection:
        return connection.execute("SELECT kind, message FROM events ORDER BY entry").fetchall()


def report(log: Path, *options: str) -> str:
    """What the command of that name prints."""
    command = [sys.executable, "-m", "bridge", "report", "--log", str(log), *options]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def assert_reported(log: Path, named: str) -> None:
    """Assert that it is named in the table, for programs, and on paper."""
    assert named in report(log).splitlines()
    first, second = json.loads(report(log, "--json"))["steps"]
    assert (first["turned_and_not_logged"], second["turned_and_not_logged"]) == ([TRACK], [])
    assert TRACK in first["missing"]
    sheet = log.with_suffix(".html")
    report(log, "--output", str(sheet))
    assert f"T{named[1:]}." in sheet.read_text(encoding="utf-8")


def turn(practice: Practice, times: int) -> None:
    for _ in range(times):
        assert practice.ask("/practice/turn", TRACK, "repro level", 0.04) == ""


def settled(practice: Practice) -> bool:
    return practice.ear.value(f"/track/{TRACK}/state") == "settled"


def test_what_was_turned_and_not_logged_when_the_process_is_killed_is_missing_and_named(tmp_path: Path) -> None:
    with Ear() as ear:
        first = Practice(tmp_path, ear)
        with first.daemon:
            first.until(lambda: ear.value("/health/source") == "running", "the source runs")
            assert first.ask("/practice/tone", 1000.0) == ""
            first.tone(1000.0, 8.0)
            found_db = first.fine_db()[TRACK - 1]
            turn(first, 3)
            first.until(lambda: settled(first), "the hand has left")
            left_db = first.fine_db()[TRACK - 1]
            assert abs(left_db - found_db) > 0.2
            assert ear.value("/health/message") == ""
            first.daemon.stop(signal.SIGKILL)
        assert first.trims == 0
        log = tmp_path / "room.db"
        assert ("in hand", f"track {TRACK} in hand") in events(log)

    named = f"turned and not logged: repro level {TRACK}"
    assert_reported(log, named)
    with Ear() as ear:
        second = Practice(tmp_path, ear)
        with second.daemon:
            second.until(lambda: bool(ear.value("/health/message")), "something is said")
            # From the first line on, beside where it goes on; and where the program was started as well.
            said = ear.value("/health/message")
            assert said.startswith("resumed: calibration ")
            assert said.endswith(f"; {named}")
            assert second.said(rf"(?m)^calibration \d+-1 resumed; {named}$")
            assert_reported(log, named)
            assert ("turned", f"track {TRACK} was turned just before the program was cut off: not logged") in events(
                log
            )
            # Back to the beginning of the tone, which may have played for long by now.
            assert second.ask("/practice/tone", 1000.0) == ""
            second.until(lambda: 3.0 < ear.value("/tone/s") < 20.0, "the tone has begun anew")
            # What it reads now is not what it was found at: by the definition of the decibel, 1 dB less.
            assert second.ask("/practice/playback_level", -1.0) == ""
            lower_db = pytest.approx(found_db - 1.0, abs=0.15)
            second.until(lambda: second.fine_db()[TRACK - 1] == lower_db, "all tracks read 1 dB less")
            second.tone(1000.0, ear.value("/tone/s") + 8.0)
            turn(second, 3)
            second.until(lambda: second.trims == 1, "a trim logs itself")
            (values,) = [values for address, values in ear.messages if address == "/trim/logged"]
            assert values[0] == TRACK
            assert values[2] == pytest.approx(found_db, abs=0.05)
            second.until(lambda: named not in ear.value("/health/message"), "it is logged")
            assert "turned and not logged" not in report(log)
        assert [kind for kind, _ in events(log)].count("turned") == 1
