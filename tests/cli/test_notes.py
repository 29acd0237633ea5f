"""Notes where people read the log: `trims` and `report` have them in their place in time."""

import json
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.log.calibrations import begin_or_resume
from bridge.log.entries import NoteEntry, TrimEntry
from bridge.log.export import iso_8601
from bridge.log.store import Store
from bridge.log.writing import write_entry
from tests.cli.program import trimbridge
from tests.log.examples import SECOND_NS, START_NS, TRIM, opening

SECOND = replace(
    TRIM, track=4, adjustment="repro level", settled_ns=START_NS + 60 * SECOND_NS, standard_error_db=0.03, kind="trim"
)
NOTES = {10: "pinch roller is worn", 40: "track 4: trimmer [red] crackles\x1b[31m", 90: "done, tea"}


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log.db"
    with closing(Store(path)) as store, store.transaction(lambda: False) as connection:
        calibration = begin_or_resume(connection, opening()).calibration
        # Written late, as when the disk came back: the time of each counts.
        for at_s, text in reversed(NOTES.items()):
            write_entry(connection, calibration, NoteEntry(text, START_NS + at_s * SECOND_NS))
        for trim in (TRIM, SECOND):
            write_entry(connection, calibration, TrimEntry(trim))
    return path


def places(lines: list[str], *texts: str) -> list[int]:
    return [next(number for number, line in enumerate(lines) if text in " ".join(line.split())) for text in texts]


def test_trims_shows_notes_between_the_trims(log: Path) -> None:
    lines = trimbridge("trims", "--log", log).stdout.splitlines()
    wanted = places(lines, "no. track", "pinch roller", "−0.85 +0.00", "crackles", "0.03 trim, within", "done, tea")
    assert wanted == sorted(wanted)
    first, second = (line for line in lines if "repro level" in line)
    assert first.index("repro") == second.index("repro"), "the columns stay where they are"
    assert first.index("by hand,") == second.index("trim,")
    assert sum("adjustment" in line for line in lines) == 1


def test_a_note_moves_no_cursor_and_colours_nothing(log: Path) -> None:
    for command in ("trims", "report"):
        said = trimbridge(command, "--log", log).stdout
        assert "trimmer [red] crackles\\x1b[31m" in said
        assert "\x1b" not in said


def test_trims_as_json_are_trims_only(log: Path) -> None:
    assert [one["track"] for one in json.loads(trimbridge("trims", "--log", log, "--json").stdout)] == [3, 4]


def test_a_calibration_of_notes_only_is_shown(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    with closing(Store(path)) as store, store.transaction(lambda: False) as connection:
        write_entry(connection, begin_or_resume(connection, opening()).calibration, NoteEntry("no tape", START_NS))
    for command in ("trims", "report"):
        said = trimbridge(command, "--log", path).stdout
        assert TRIM.machine in said
        assert "note: no tape" in said


def test_report_says_after_which_trim_a_note_was_made(log: Path) -> None:
    notes = [line for line in trimbridge("report", "--log", log).stdout.splitlines() if "note: " in line]
    assert [line.partition("note: ")[2] for line in notes] == [
        "pinch roller is worn (before the first trim)",
        "track 4: trimmer [red] crackles\\x1b[31m (after no. 1, repro level of track 3 at 1000 Hz)",
        "done, tea (after no. 2, repro level of track 4 at 1000 Hz)",
    ]
    found = json.loads(trimbridge("report", "--log", log, "--json").stdout)
    assert [(one["at"], one["text"]) for one in found["notes"]] == [
        (iso_8601(START_NS + at_s * SECOND_NS), text) for at_s, text in NOTES.items()
    ]
    assert [one["after"] and one["after"].rpartition(".")[2] for one in found["notes"]] == [None, "1", "2"]


def test_report_shows_standard_error_and_kind(log: Path) -> None:
    lines = trimbridge("report", "--log", log).stdout.splitlines()
    assert [line.split()[:5] for line in lines if line.split()[:1] in (["3"], ["4"]) and "0.00" in line] == [
        ["3", "−0.85", "+0.00", "—", "h"],
        ["4", "−0.85", "+0.00", "0.03", "—"],
    ]
    level = json.loads(trimbridge("report", "--log", log, "--json").stdout)["steps"][0]
    assert [(one["standard_error_db"], one["kind"]) for one in level["tracks"]] == [(None, "by hand"), (0.03, "trim")]
