"""Commands that read files: what they are told to write never costs what they read, and damage is said in one line."""

import os
import resource
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from bridge.log.calibrations import begin_or_resume
from bridge.log.entries import TrimEntry
from bridge.log.store import Store
from bridge.log.writing import write_entry
from tests.cli.program import run as trimbridge
from tests.log.examples import TRIM, opening
from tests.system.sound import tones

CONFIG = """
[machine]
name = "Ferry hall two-track (invented)"
tracks = 2
[[step]]
adjustment = "repro level"
tone_hz = 1000
"""


def same_name(path: Path) -> Path:
    return path


def relative_name(path: Path) -> Path:
    return path.parent / ".." / path.parent.name / path.name


def soft_link(path: Path) -> Path:
    link = path.with_name("link")
    link.symlink_to(path)
    return link


def hard_link(path: Path) -> Path:
    link = path.with_name("link")
    os.link(path, link)
    return link


names = pytest.mark.parametrize("name", [same_name, relative_name, soft_link, hard_link])


def log_of(path: Path, trims: int) -> Path:
    with closing(Store(path)) as store:
        with store.transaction(lambda: False) as connection:
            calibration = begin_or_resume(connection, opening()).calibration
            for _ in range(trims):
                write_entry(connection, calibration, TrimEntry(TRIM))
        store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    return path


@names
def test_export_does_not_write_over_the_log(tmp_path: Path, name: Callable[[Path], Path]) -> None:
    log = log_of(tmp_path / "log.db", 1)
    output = name(log)
    done = trimbridge("export", "--log", log, "--output", output)
    assert done.returncode == 2
    assert done.stderr == f"trimbridge: {output} is being read and would be written over: name another file\n"
    assert trimbridge("export", "--log", log).stdout.count("\n") == 1


def test_an_export_that_cannot_be_written_leaves_the_one_before(tmp_path: Path) -> None:
    # So many that a file of their size holds what the log itself needs to be read.
    log, output = log_of(tmp_path / "log.db", 200), tmp_path / "trims.jsonl"
    export = ("export", "--log", log, "--output", output)
    assert trimbridge(*export).returncode == 0
    before = output.read_bytes()

    def with_a_small_disk() -> None:
        # A file that would grow beyond it cannot be written: EFBIG (setrlimit(2)).
        _, most = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) - 1, most))

    refused = trimbridge(*export, preexec_fn=with_a_small_disk)
    assert refused.returncode == 1
    assert refused.stderr == f"trimbridge: {output}: File too large\n"
    assert output.read_bytes() == before
    assert [path.name for path in tmp_path.iterdir() if "trims" in path.name] == ["trims.jsonl"]


def test_an_export_of_an_older_program_may_be_replaced(tmp_path: Path) -> None:
    log, output = log_of(tmp_path / "log.db", 1), tmp_path / "trims.csv"
    output.write_text(
        "id,calibration,machine,track,path,adjustment,tone_hz,speed_ips,target_vu,as_found_db,as_left_db,spread_db,"
        "tolerance_db,within_tolerance,started_s,settled_s,started_at,settled_at,origin,withdrawn\r\n"
    )
    assert trimbridge("export", "--log", log, "--format", "csv", "--output", output).returncode == 0
    assert output.read_text().count("\n") == 2


@pytest.fixture
def room(tmp_path: Path) -> Path:
    tones(tmp_path / "capture.wav", [-18.0, -18.0], seconds=1)
    (tmp_path / "room.toml").write_text(CONFIG)
    return tmp_path


@names
@pytest.mark.parametrize("read", ["capture.wav", "room.toml"])
def test_replay_does_not_write_readings_over_what_it_reads(room: Path, read: str, name: Callable[[Path], Path]) -> None:
    before = (room / read).read_bytes()
    done = trimbridge("replay", room / "capture.wav", room / "room.toml", "--readings", name(room / read))
    assert done.returncode == 2
    assert done.stderr.endswith("is being read and would be written over: name another file\n")
    assert (room / read).read_bytes() == before


def test_replay_does_not_write_readings_over_the_log_that_it_makes(room: Path) -> None:
    log = room / "new.db"
    done = trimbridge("replay", room / "capture.wav", room / "room.toml", "--log", log, "--readings", log)
    assert done.returncode == 2
    assert not log.exists()


@pytest.mark.parametrize("command", ["trims", "export"])
def test_a_damaged_log_is_said_in_one_line(command: str, tmp_path: Path) -> None:
    log = log_of(tmp_path / "log.db", 200)
    content = bytearray(log.read_bytes())
    content[8192:] = b"\xa5" * len(content[8192:])
    log.write_bytes(content)
    done = trimbridge(command, "--log", log)
    assert done.returncode == 1
    assert done.stderr.startswith(f"trimbridge: the log {log} is damaged (")
    assert done.stderr.count("\n") == 1
