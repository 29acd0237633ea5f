"""Commands whose output goes nowhere, that are stopped half-way, or that read what is being written."""

import csv
import json
import math
import os
import re
import signal
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import get_args

import pytest

from bridge.config.midi_settings import MidiCommand
from tests.cli.program import NO_INTERFACE, PROGRAM, ROOT, commands, help_of, trimbridge
from tests.system.daemon import Daemon, Ear, free_port, write_config
from tests.system.jack import wait_until
from tests.system.sound import tones


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a recording, a config, and a log with trims."""
    directory = tmp_path_factory.mktemp("room")
    capture = tones(directory / "capture.wav", [-18.0, -17.9], seconds=4)
    write_config(directory / "room.toml", port=0, tracks=2, source=f'source = "recording"\nrecording = "{capture}"\n')
    trimbridge("replay", capture, directory / "room.toml", "--log", directory / "room.db")
    return directory


WRITERS = [
    ("--help",),
    ("check", "room.toml"),
    ("inputs", "--json"),
    ("targets", "room.toml"),
    ("replay", "capture.wav", "room.toml"),
    ("trims", "--log", "room.db"),
    ("report", "--log", "room.db"),
    ("export", "--log", "room.db"),
]


@pytest.mark.parametrize("words", WRITERS, ids=lambda words: words[0])
def test_a_reader_that_is_gone_is_no_news(words: tuple[str, ...], room: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = trimbridge(*in_room(words, room), status=1, stdout=writing)
    finally:
        os.close(writing)
    assert done.stderr == ""


@pytest.mark.parametrize("words", WRITERS, ids=lambda words: words[0])
def test_a_full_disk_under_the_output_is_said(words: tuple[str, ...], room: Path) -> None:
    """/dev/full: every write fails with ENOSPC (Linux, full(4))."""
    with Path("/dev/full").open("wb") as full:
        done = trimbridge(*in_room(words, room), status=1, stdout=full)
    assert done.stderr == "trimbridge: No space left on device\n"


def in_room(words: tuple[str, ...], room: Path) -> list[str]:
    return [str(room / word) if "." in word else word for word in words]


def test_every_command_has_a_help_text() -> None:
    overview = trimbridge("--help").stdout
    assert "..." not in overview.partition("Commands:")[2], "a summary is cut short"
    for name in commands():
        said = help_of(name)
        usage, _, rest = said.partition("\n\n")
        assert name in usage
        summary = rest.partition("\n\n")[0].strip()
        assert summary.endswith(".")
        assert f"  {name} " in overview
        # Every option says what it does.
        assert not [line for line in said.splitlines() if line.startswith("  --") and len(line.split("  ")) < 3]


def test_the_help_of_learn_names_every_command_what_it_changes_and_how_to_quit() -> None:
    said = " ".join(help_of("learn").split())
    commands_named = re.search(r"It can do: (.*?)\.", said)
    assert commands_named
    for command in get_args(MidiCommand):
        assert re.search(rf"\b{command}\b", commands_named[1]), command
    assert "It changes the config file" in said
    assert "Ctrl-C quits" in said


def test_every_table_comes_as_json_too(room: Path) -> None:
    wanted = {
        "check": ("check", "room.toml"),
        "inputs": ("inputs",),
        "targets": ("targets", "room.toml"),
        "tape": ("tape", "room.toml"),
        "offsets": ("offsets", "room.toml", "--seconds", "1"),
        "replay": ("replay", "capture.wav", "room.toml"),
        "trims": ("trims", "--log", "room.db"),
        "report": ("report", "--log", "room.db"),
    }
    assert set(wanted) == {name for name in commands() if "--json" in help_of(name)}
    for words in wanted.values():
        assert json.loads(trimbridge(*in_room(words, room), "--json").stdout)


# --- stopped half-way ------------------------------------------------------------------------------------------------


def started(*words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*PROGRAM, *map(str, words)],
        cwd=ROOT,
        env=NO_INTERFACE,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def interrupted(process: subprocess.Popen[str], *statuses: int) -> str:
    """Press Ctrl-C; return what the process says of it."""
    with process:
        try:
            process.send_signal(signal.SIGINT)
            _, said = process.communicate(timeout=60)
        finally:
            process.kill()
    assert process.returncode in (1, *statuses), said
    assert "Traceback" not in said
    return said


@pytest.fixture(scope="module")
def long_recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tones(tmp_path_factory.mktemp("long") / "long.wav", [-18.0] * 16, seconds=300, bits=16)


def test_ctrl_c_stops_a_replay_and_leaves_a_log_that_is_whole(long_recording: Path, tmp_path: Path) -> None:
    config = write_config(tmp_path / "room.toml", port=0, tracks=16, source="")
    out, log = tmp_path / "readings.csv", tmp_path / "new.db"
    process = started("replay", long_recording, config, "--log", log, "--readings", out)

    def under_way() -> bool:
        assert process.poll() is None, "it was done before it could be stopped"
        return out.exists() and out.stat().st_size > 100_000

    wait_until(under_way, "the replay is under way", 60.0)
    assert len(interrupted(process).splitlines()) <= 1
    assert out.read_text().startswith("position_s,track,")
    trims = [json.loads(line) for line in trimbridge("export", "--log", log).stdout.splitlines()]
    assert [trim["id"].rpartition(".")[2] for trim in trims] == [str(n) for n in range(1, len(trims) + 1)]


@pytest.mark.parametrize("library", ["_multiarray_umath", "pydantic_core", "libsndfile"])
def test_ctrl_c_while_it_starts(library: str, long_recording: Path, tmp_path: Path) -> None:
    """At a moment in the middle of the imports: when a library has just been loaded.

    Python itself may then end as a process does that SIGINT has killed, when the code of a C library was interrupted.
    """
    config = write_config(tmp_path / "room.toml", port=0, tracks=16, source="")
    process = started("replay", long_recording, config)
    maps = Path(f"/proc/{process.pid}/maps")
    wait_until(lambda: process.poll() is not None or library in maps.read_text(), f"{library} is loaded", 60.0)
    interrupted(process, -signal.SIGINT)


# --- the log while it is written -------------------------------------------------------------------------------------


@pytest.fixture
def ear() -> Iterator[Ear]:
    with closing(Ear()) as made:
        yield made


def test_export_and_trims_while_the_daemon_writes(ear: Ear, tmp_path: Path) -> None:
    capture = tones(tmp_path / "capture.wav", [-18.0, -17.9], seconds=120)
    port = free_port()
    config = write_config(
        tmp_path / "room.toml",
        port=port,
        tracks=2,
        source=f'source = "recording"\nrecording = "{capture}"\n',
        more=f'destinations = ["127.0.0.1:{ear.port}"]\n',
    )
    log = config.with_suffix(".db")

    def announced() -> list[str]:
        return [values[-1] for address, values in list(ear.messages) if address == "/trim/logged"]

    def asked_for_more(count: int) -> None:
        wanted = len(announced()) + count

        def came() -> bool:
            ear.ask(port, "/do/log", 1)
            return len(announced()) >= wanted

        daemon.until(came, f"{count} more trims")

    with Daemon(config) as daemon:
        daemon.until(lambda: math.isfinite(ear.value("/track/1/spread") or math.nan), "a steady tone")
        exported: list[str] = []
        for number in range(6):
            asked_for_more(20)
            before = announced()
            form = "csv" if number % 2 else "jsonl"
            out = tmp_path / f"export.{form}"
            with started("export", "--log", log, "--format", form, "--output", out) as reading:
                while reading.poll() is None:
                    asked_for_more(1)
                assert reading.returncode == 0, reading.communicate()[1]
            lines = out.read_text().splitlines()
            ids = (
                [json.loads(line)["id"] for line in lines]
                if form == "jsonl"
                else [row["id"] for row in csv.DictReader(lines)]
            )
            assert [one.rpartition(".")[2] for one in ids] == [str(n) for n in range(1, len(ids) + 1)]
            assert set(before) <= set(ids), "what was announced before is exported"
            assert ids[: len(exported)] == exported
            exported = ids
        assert len(json.loads(trimbridge("trims", "--log", log, "--json").stdout)) >= len(exported)
        assert ear.value("/health/log") == "writing"
    at_last = trimbridge("export", "--log", log).stdout.splitlines()
    assert set(announced()) <= {json.loads(line)["id"] for line in at_last}


def practice(ear: Ear, folder: Path, tracks: int = 24) -> tuple[Path, Callable[..., bool]]:
    """A config with the simulated recorder, and what asks its daemon for something and says whether it was done."""
    port = free_port()
    more = f'destinations = ["127.0.0.1:{ear.port}"]\n'

    def done(address: str, *values: object) -> bool:
        asked = ear.ask(port, address, *values)
        wait_until(lambda: asked in ear.answers, f"{address} is answered", 60.0)
        return ear.answers[asked] == [("/done",)]

    return write_config(
        folder / "room.toml", port=port, source='source = "simulated"\n', tracks=tracks, more=more
    ), done


def test_plain_lines_tell_what_is_withdrawn_reinstated_held_and_not_followed(ear: Ear, tmp_path: Path) -> None:
    config, done = practice(ear, tmp_path)
    # Without what is logged: that goes to the other stream.
    with Daemon(config, stderr=subprocess.DEVNULL) as daemon:
        daemon.until(lambda: ear.value("/health/source") == "running", "the source runs")
        assert done("/practice/tone", 1000.0)
        daemon.until(lambda: done("/do/log", 2), "a trim is logged")
        daemon.until(lambda: any(address == "/trim/logged" for address, _ in list(ear.messages)), "it is announced")
        trim_id = next(values[-1] for address, values in list(ear.messages) if address == "/trim/logged")
        assert done("/do/undo", trim_id.rpartition(".")[2])
        assert done("/do/reinstate", trim_id)
        for on in (True, False):
            assert done("/do/hold", on)
            daemon.until(lambda on=on: ear.value("/hold/on") is on, "the hold is shown")
        for on in (False, True):
            assert done("/do/follow", on)
            daemon.until(lambda on=on: ear.value("/follow/on") is on, "it is shown whether the tape is followed")
    lines = daemon.output.splitlines()
    sender = f"osc 127.0.0.1:{ear.port}"
    wanted = [f"withdrawn {trim_id}, by {sender}", f"reinstated {trim_id}, by {sender}"]
    assert [line for line in lines if line in wanted] == wanted
    assert [line for line in lines if "held" in line] == [
        "held: nothing logs itself", "no longer held: trims log themselves again"
    ]  # fmt: skip
    assert [line for line in lines if line.startswith("following")] == [
        "following is off: the step stays, whatever tone plays",
        "following is on: the tape leads to the step of its tone",
    ]


def test_plain_lines_tell_what_a_finished_calibration_has_come_to(ear: Ear, tmp_path: Path) -> None:
    config, done = practice(ear, tmp_path, tracks=4)
    # Without what is logged: that goes to the other stream.
    with Daemon(config, stderr=subprocess.DEVNULL) as daemon:
        daemon.until(lambda: ear.value("/health/source") == "running", "the source runs")
        for tracks in ((1, 2, 3, 4), (2,)):
            assert done("/practice/tone", 1000.0)
            for track in tracks:
                daemon.until(lambda track=track: done("/do/log", track), f"track {track} is logged")
            assert done("/do/finish")
        daemon.until(lambda: daemon.output.count("finished") == 2, "both are told")
    records = [
        json.loads(line) for line in trimbridge("export", "--log", config.with_suffix(".db")).stdout.splitlines()
    ]
    first, second = dict.fromkeys(record["calibration"] for record in records)
    third = f"{second.rpartition('-')[0]}-3"
    assert [line for line in daemon.output.splitlines() if "finished" in line] == [
        f"calibration {first} finished: 4 trims, complete; {second} begins, with step 1",
        f"calibration {second} finished: 1 trim, missing step 1: tracks 1, 3-4; {third} begins, with step 1",
    ]


# --- what a start loads ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "status", "spared"),
    [
        (("--version",), 0, {"numpy", "pydantic", "rich", "aiohttp"}),
        (("trims", "--log", "none.db"), 1, {"numpy", "aiohttp"}),
        (("targets", "configs/practice.toml"), 0, {"numpy", "aiohttp"}),
        (("run", "none.toml"), 2, {"numpy", "aiohttp"}),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else "",
)
def test_nobody_waits_for_a_library_that_is_not_needed(words: tuple[str, ...], status: int, spared: set[str]) -> None:
    """PYTHONPROFILEIMPORTTIME has Python name every module that it loads, on standard error."""
    environment = {**NO_INTERFACE, "PYTHONPROFILEIMPORTTIME": "1"}
    said = trimbridge(*words, status=status, environment=environment).stderr
    loaded = {line.rpartition("|")[2].strip() for line in said.splitlines() if line.startswith("import time:")}
    assert "bridge.cli.app" in loaded
    assert not spared & loaded
