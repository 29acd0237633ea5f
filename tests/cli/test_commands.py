"""Every command as other programs use it: what it writes, its exit status, and one line for what is wrong."""

import csv
import json
import re
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from bridge.log.calibrations import begin_or_resume
from bridge.log.entries import TrimEntry
from bridge.log.store import Store
from bridge.log.writing import write_entry
from tests.log.examples import TRIM, opening
from tests.system.daemon import JACK
from tests.system.jack import JackServer
from tests.system.sound import tones

ROOT = Path(__file__).parents[2]

CONFIG = """
[machine]
name = "Ferry hall two-track (invented)"
tracks = 2
operating_level_nwb_per_m = 320
[[machine.speeds]]
ips = 15
equalization = "iec1"
[tape]
fluxivity_nwb_per_m = 250
speed_ips = 15
equalization = "nab"
fringing_compensated = true
tones = [{ hz = 1000 }, { hz = 10000, level_db = -10.0 }, { hz = 100 }]
[audio]
source = "simulated"
[osc]
port = 0
[log]
file = "room.db"
[[step]]
adjustment = "repro level"
tone_hz = 1000
tolerance_db = 0.1
[[step]]
adjustment = "repro high"
tone_hz = 10000
[[step]]
adjustment = "repro low"
tone_hz = 100
user_db = 0.25
"""


def trimbridge(*words: object, status: int = 0) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-m", "bridge", *map(str, words)], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == status, done.stderr
    assert "Traceback" not in done.stderr
    return done


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "room.toml"
    path.write_text(CONFIG)
    return path


def test_targets_as_json(config: Path) -> None:
    steps = json.loads(trimbridge("targets", config, "--json").stdout)
    assert [(step["adjustment"], step["tone_hz"], step["speed_ips"]) for step in steps] == [
        ("repro level", 1000.0, 15.0),
        ("repro high", 10000.0, 15.0),
        ("repro low", 100.0, 15.0),
    ]
    # 20 lg(250 / 320) = -2.14 dB; a 50 + 3180 µs tape on a 35 µs machine re 1 kHz: -2.51 dB at 10 kHz, +1.16 dB at
    # 100 Hz (IEC 60094-1:1981, clause 15, time constants of IASA TC-04; worked outside this project).
    expected = [
        {"fluxivity": -2.14, "equalization": 0.0, "tape_level": 0.0, "user": 0.0},
        {"fluxivity": -2.14, "equalization": -2.51, "tape_level": -10.0, "user": 0.0},
        {"fluxivity": -2.14, "equalization": 1.16, "tape_level": 0.0, "user": 0.25},
    ]
    for step, terms in zip(steps, expected, strict=True):
        assert step["terms"] == pytest.approx(terms | {"speed": 0.0, "fringing": 0.0}, abs=0.006)
        assert list(step["terms"]) == ["fluxivity", "equalization", "speed", "fringing", "tape_level", "user"]
        assert sum(step["terms"].values()) == pytest.approx(step["target_vu"], abs=1e-9)


def test_targets_as_a_table(config: Path) -> None:
    said = trimbridge("targets", config).stdout
    row = next(line for line in said.splitlines() if "repro high" in line)
    assert re.findall(r"[−+]\d+\.\d\d", row) == ["−14.65", "−2.14", "−2.51", "−10.00"]
    assert "250 nWb/m" in said
    assert "320 nWb/m" in said


def test_replay_writes_readings(config: Path, tmp_path: Path) -> None:
    capture = tones(tmp_path / "capture.wav", [-18.0, -21.5], hz=997.0, seconds=3, rate_hz=96_000)
    out = tmp_path / "readings.csv"
    done = trimbridge("replay", capture, config, "--readings", out, "--json")
    summary = json.loads(done.stdout)
    assert summary["seconds"] == pytest.approx(3.0)
    with out.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["position_s", "track", "vu", "deviation_db", "fine_db", "spread_db", "hz", "state"]
    assert len(rows) == 2 * summary["frames"] == 2 * 90
    positions_s = [float(row["position_s"]) for row in rows[::2]]
    # A frame tells the measurement of 10 ms in which it fell due.
    assert positions_s == pytest.approx([number / 30 for number in range(1, 91)], abs=0.0101)
    for row, vu in zip(rows[-2:], (0.0, -3.5), strict=True):
        assert float(row["vu"]) == pytest.approx(vu, abs=0.02)
        # The step that 997 Hz belongs to has its target at -2.14 VU.
        assert float(row["fine_db"]) == pytest.approx(vu + 2.144, abs=0.01)
        assert float(row["deviation_db"]) == pytest.approx(vu + 2.144, abs=0.02)
        assert float(row["spread_db"]) < 0.01
        assert float(row["hz"]) == pytest.approx(997.0, rel=2e-4)
        assert row["state"] == "tone"


def test_replay_of_nothing_is_refused_in_one_line(config: Path, tmp_path: Path) -> None:
    said = trimbridge("replay", tmp_path / "none.wav", config, status=1).stderr
    assert said == f"trimbridge: {tmp_path / 'none.wav'}: there is no such file\n"


def test_a_recording_that_the_config_does_not_name_is_no_hindrance(config: Path, tmp_path: Path) -> None:
    """`replay` takes the file named on its command line; `targets` takes none."""
    config.write_text(CONFIG.replace('source = "simulated"', 'source = "recording"'))
    assert "repro level" in trimbridge("targets", config).stdout
    tones(tmp_path / "capture.wav", [-18.0, -18.0], seconds=1)
    assert "times real time" in trimbridge("replay", tmp_path / "capture.wav", config).stdout
    for command in ("run", "check"):
        done = trimbridge(command, config, status=2)
        assert 'source = "recording" needs the path of a file' in " ".join((done.stdout + done.stderr).split())


def test_targets_gives_each_piece_of_advice_once(config: Path) -> None:
    warnings = [one for step in json.loads(trimbridge("targets", config, "--json").stdout) for one in step["warnings"]]
    said = " ".join(trimbridge("targets", config).stdout.split())
    advice = [warning["advice"] for warning in warnings]
    assert len(advice) > len(set(advice)), "several steps have the same advice here"
    assert [said.count(text) for text in set(advice)] == [1] * len(set(advice))
    assert all(said.count(warning["message"]) == 1 for warning in warnings)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log.db"
    with closing(Store(path)) as store, store.transaction(lambda: False) as connection:
        calibration = begin_or_resume(connection, opening()).calibration
        write_entry(connection, calibration, TrimEntry(TRIM))
    return path


def test_export_has_the_fields_that_others_rely_on(log: Path) -> None:
    (line,) = trimbridge("export", "--log", log, "--format", "jsonl").stdout.splitlines()
    trim = json.loads(line)
    assert trim["id"] == f"{trim['calibration']}.1"
    assert trim | {"id": "", "calibration": "", "started_at": "", "settled_at": ""} == {
        "id": "", "calibration": "", "machine": TRIM.machine, "track": 3, "path": "repro", "adjustment": "repro level",
        "tone_hz": 1000.0, "speed_ips": 15.0, "target_vu": -2.14, "as_found_db": -0.834, "as_left_db": 0.013,
        "spread_db": 0.021, "tolerance_db": 0.1, "within_tolerance": True, "started_s": 12.5, "settled_s": 19.25,
        "started_at": "", "settled_at": "", "origin": "by hand", "withdrawn": False,
        "standard_error_db": None, "kind": "by hand",
    }  # fmt: skip
    assert trim["started_at"] == "2026-11-25T09:00:12.500Z"
    header, row = csv.reader(trimbridge("export", "--log", log, "--format", "csv").stdout.splitlines())
    assert header == list(trim)
    assert row[header.index("as_left_db")] == "0.013"


def test_trims_as_a_table_and_as_json(log: Path) -> None:
    said = trimbridge("trims", "--log", log).stdout
    assert TRIM.machine in said
    row = next(line for line in said.splitlines() if "repro level" in line)
    # A single reading that differs from the next by 0.02 dB carries no hundredths.
    assert row.split()[-10:-1] == ["15", "−2.14", "−0.85", "+0.00", "—", "by", "hand,", "within", "0.1"]
    (trim,) = json.loads(trimbridge("trims", "--log", log, "--json").stdout)
    assert trim["as_left_db"] == 0.013


def test_last_is_the_newest_calibration_that_holds_a_trim(log: Path) -> None:
    """Another one begins when one is finished, and holds nothing yet."""
    with closing(Store(log)) as store, store.transaction(lambda: False) as connection:
        begin_or_resume(connection, opening(fresh=True))
    (trim,) = json.loads(trimbridge("trims", "--log", log, "--calibration", "last", "--json").stdout)
    assert trim["id"].endswith("-1.1")
    first, newer = trim["calibration"], trim["calibration"].replace("-1", "-2")
    assert first in trimbridge("trims", "--log", log, "--calibration", "last").stdout
    assert trimbridge("export", "--log", log, "--calibration", "last").stdout.startswith(f'{{"id": "{first}.1"')
    assert first in trimbridge("report", "--log", log).stdout
    # By its own name an empty one is found as well.
    assert trimbridge("trims", "--log", log, "--calibration", newer).stdout == "no trims\n"
    assert trimbridge("export", "--log", log, "--calibration", newer).stdout == ""
    assert newer in trimbridge("report", "--log", log, "--calibration", newer).stdout
    for command in ("trims", "export", "report"):
        help_text = " ".join(trimbridge(command, "--help").stdout.split())
        assert "`last` = the newest that holds a trim" in help_text
        said = trimbridge(command, "--log", log, "--calibration", "19990101-1", status=1).stderr
        assert said.endswith(f"there is no calibration 19990101-1 in the log: `last` is {first}\n")


def test_there_is_no_last_calibration_in_an_empty_log(tmp_path: Path) -> None:
    Store(tmp_path / "new.db").close()
    for command in ("trims", "export", "report"):
        done = trimbridge(command, "--log", tmp_path / "new.db", "--calibration", "last", status=1)
        assert done.stderr == "trimbridge: there is no calibration in the log yet\n"


def test_check_tells_what_is_good_and_what_is_bad(config: Path) -> None:
    found = json.loads(trimbridge("check", config, "--json").stdout)
    assert {"python", "config", "audio", "osc", "page", "log", "disk", "midi"} == {one["part"] for one in found}
    assert "bad" not in {one["verdict"] for one in found}
    config.write_text(CONFIG.replace('source = "simulated"', 'source = "recording"\nrecording = "none.wav"'))
    found = json.loads(trimbridge("check", config, "--json", status=1).stdout)
    (bad,) = [one for one in found if one["verdict"] == "bad"]
    assert bad["part"] == "audio"
    assert bad["message"].endswith("none.wav: there is no such file")
    assert bad["advice"]


def test_check_opens_the_interface_and_listens(config: Path) -> None:
    def heard(rate_hz: int) -> list[tuple[str, str]]:
        config.write_text(CONFIG.replace('source = "simulated"', f"{JACK}").replace("48000", str(rate_hz)))
        done = subprocess.run(
            [sys.executable, "-m", "bridge", "check", str(config), "--json"],
            capture_output=True, text=True, timeout=120, check=False, env=server.environment,
        )  # fmt: skip
        assert "Traceback" not in done.stderr
        return [(one["verdict"], one["message"]) for one in json.loads(done.stdout) if one["part"] == "audio"]

    with JackServer(channels=2) as server:
        good, note = heard(48_000)
        assert good[0] == "good"
        assert good[1].endswith("inputs 1-2, 48000 Hz")
        assert note == ("note", "every input is exactly zero, not even noise")
        ((verdict, said),) = heard(96_000)
        assert verdict == "bad"
        assert said.endswith("the JACK server runs at 48000 Hz, not at the 96000 Hz asked for")


@pytest.mark.parametrize("command", ["run", "check", "targets"])
def test_a_wrong_config_is_wrong_use(command: str, config: Path) -> None:
    config.write_text(CONFIG.replace("tracks = 2", "tracks = 0"))
    done = trimbridge(command, config, status=2)
    assert "machine.tracks" in (done.stdout + done.stderr).replace("[machine] ", "machine.")


def test_every_command_stands_in_the_readme() -> None:
    said = trimbridge("--help").stdout
    commands = re.findall(r"^  ([a-z]+) ", said[said.index("Commands:") :], flags=re.MULTILINE)
    assert len(commands) >= 10
    readme = (ROOT / "README.md").read_text()
    assert [name for name in commands if f"trimbridge {name}" not in readme] == []
