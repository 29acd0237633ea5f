"""Wrong use of every command: a status by the contract, and words for what is wrong, where, and what would be right.

0 done, 1 the thing asked for failed, 2 wrong use or config.
"""

import os
import queue
import sqlite3
import subprocess
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

import pytest

from tests.cli.program import NO_INTERFACE, ORDINARY, commands, run, run_from
from tests.system.sound import tones
from tests.system.starter import Starter

ROOM = """
[machine]
name = "Boat house two-track (invented)"
tracks = 2
[audio]
source = "simulated"
[[step]]
adjustment = "repro level"
tone_hz = 1000
[log]
file = "room.db"
[page]
port = 0
[osc]
port = 0
"""

CONFIGS: dict[str, tuple[int, str]] = {
    "none.toml": (
        2,
        "none.toml: no such file; `trimbridge init` asks a few questions and writes one; try configs/practice.toml",
    ),
    "folder": (2, "folder: a folder, not a config file"),
    "broken.toml": (2, "broken.toml: not TOML"),
    "latin.toml": (2, "latin.toml:2: not UTF-8 text; save it as UTF-8"),
    "secret.toml": (2, "secret.toml"),
    "empty.toml": (2, "it needs at least name and tracks"),
}
LOGS: dict[str, tuple[int, str]] = {
    "none.db": (1, "there is no log {room}/none.db: name the file that `trimbridge run` writes, or calibrate first"),
    "folder": (1, "{room}/folder is a folder: name the file that `trimbridge run` writes"),
    "text.db": (1, "{room}/text.db is not a log of this program: name another file"),
    "other.db": (1, "{room}/other.db is another program's database: name another file"),
    "secret.db": (2, "path 'secret.db' is not readable"),
}
RECORDINGS: dict[str, tuple[int, str]] = {
    "none.wav": (1, "none.wav: there is no such file"),
    "folder": (1, "folder: this is a folder, not a recording"),
    "text.wav": (1, "text.wav: this is no recording that can be read"),
    "nothing.wav": (1, "nothing.wav: this is no recording that can be read"),
    "empty.wav": (1, "holds no samples"),
    "mono.wav": (1, "mono.wav: input 2 is asked for, but the recording has 1 channel"),
    "slow.wav": (1, "slow.wav: 22050 Hz is outside 44100 to 192000 Hz"),
    "secret.wav": (2, "path 'secret.wav' is not readable"),
}

Case = tuple[tuple[str, ...], int, str]


def of_config(*words: str) -> list[Case]:
    return [((*words, name), status, said) for name, (status, said) in CONFIGS.items()]


def of_log(*words: str) -> list[Case]:
    return [((*words, "--log", name), status, said) for name, (status, said) in LOGS.items()]


CASES: dict[str, list[Case]] = {
    "demo": [
        (("demo", "--seed", "-1"), 2, "greater than or equal to 0"),
        (("demo", "--port", "70000"), 2, "65535"),
        (("demo", "--port", "0", "--page-port", "0", "--log", "folder"), 1, "{room}/folder is not a file"),
        (("demo", "--port", "0", "--page-port", "0", "--log", "text.db"), 1, "is not a log of this program"),
    ],
    "run": [
        *of_config("run"),
        (("run", "nameless.toml"), 2, 'source = "recording" needs the path of a file, in quotes'),
        (("run", "lost.toml", "--plain"), 1, "the directory of the log {room}/lost/room.db is missing: make it"),
    ],
    "check": [
        *of_config("check"),
        (("check", "device.toml"), 1, "see `trimbridge inputs`"),
        (("check", "recording.toml"), 1, "{room}/none.wav: there is no such file"),
        (("check", "nameless.toml"), 2, 'source = "recording" needs the path of a file, in quotes'),
    ],
    "inputs": [(("inputs", "all"), 2, "unexpected extra argument")],
    "init": [
        (("init", "folder", "--yes"), 1, "folder: cannot be written: a folder; name a file"),
        (("init", "lost/room.toml", "--yes"), 1, "lost/room.toml: cannot be written: the folder lost is missing"),
        (("init", "room.toml", "--yes"), 1, "room.toml is left as it is; name another file"),
    ],
    "learn": [
        *of_config("learn"),
        (("learn", "room.toml"), 1, "stopped; nothing was written"),
    ],
    "targets": of_config("targets"),
    "tape": [
        *of_config("tape"),
        (("tape", "room.toml", "--feet", "1200", "--metres", "5"), 2, "choose one"),
        (("tape", "room.toml", "--pack-mm", "267"), 2, "--pack-mm needs --hub-mm and --thickness-um"),
        (("tape", "room.toml", "--pack-mm", "50", "--hub-mm", "60", "--thickness-um", "50"), 2, "not be below the hub"),
        (("tape", "room.toml", "--delay-us", "5"), 2, "--delay-us needs track_pitch_mm in [machine]"),
        (("tape", "room.toml", "--feet", "-1"), 2, "greater than or equal to 0"),
    ],
    "offsets": [
        *of_config("offsets"),
        (("offsets", "device.toml"), 1, "there is no audio interface with inputs"),
        (("offsets", "recording.toml"), 1, "{room}/none.wav: there is no such file"),
        (("offsets", "room.toml", "--seconds", "0"), 2, "greater than or equal to 1"),
        (("offsets", "room.toml", "--level-dbfs", "3"), 2, "less than or equal to 0"),
    ],
    "replay": [
        *of_config("replay", "tone.wav"),
        *[(("replay", name, "room.toml"), status, said) for name, (status, said) in RECORDINGS.items()],
        (("replay",), 2, "Missing argument"),
        (("replay", "tone.wav", "room.toml", "--log", "text.db"), 1, "is not a log of this program"),
        (("replay", "tone.wav", "room.toml", "--log", "other.db"), 1, "is another program's database"),
        (("replay", "tone.wav", "room.toml", "--log", "folder"), 1, "{room}/folder is not a file"),
        (("replay", "tone.wav", "room.toml", "--log", "lost/new.db"), 1, "the directory of the log"),
        (("replay", "tone.wav", "room.toml", "--readings", "lost/new.csv"), 1, "the folder lost is missing: make it"),
        (("replay", "tone.wav", "room.toml", "--readings", "folder"), 1, "folder: Is a directory: name a file"),
        (("replay", "tone.wav", "room.toml", "--readings", "closed/new.csv"), 1, "closed/new.csv: Permission denied"),
        (("replay", "tone.wav", "room.toml", "--log", "closed/new.db"), 1, "{room}/closed/new.db"),
    ],
    "trims": [
        *of_log("trims"),
        (("trims", "--log", "good.db", "--calibration", "19990101-1"), 1, "there is no calibration 19990101-1"),
        (("trims", "--log", "good.db", "--track", "0"), 2, "greater than or equal to 1"),
    ],
    "report": [
        *of_log("report"),
        (("report", "--log", "good.db", "--calibration", "19990101-1"), 1, "there is no calibration 19990101-1"),
        (("report", "--log", "good.db", "--json", "-o", "new.html"), 2, "choose one"),
        (("report", "--log", "good.db", "-o", "good.db"), 2, "good.db is being read and would be written over"),
        (("report", "--log", "good.db", "-o", "text.db"), 2, "text.db is there already and holds something else"),
        (("report", "--log", "good.db", "-o", "lost/new.html"), 1, "the folder lost is missing: make it"),
        (("report", "--log", "good.db", "-o", "folder"), 1, "folder: Is a directory: name a file"),
        (("report", "--log", "good.db", "-o", "closed/new.html"), 1, "closed/new.html: Permission denied"),
    ],
    "export": [
        *of_log("export"),
        (("export", "--log", "good.db", "--calibration", "19990101-1"), 1, "there is no calibration 19990101-1"),
        (("export", "--log", "good.db", "--format", "xml"), 2, "'jsonl', 'csv'"),
        (("export", "--log", "good.db", "-o", "lost/new.csv"), 1, "the folder lost is missing: make it"),
        (("export", "--log", "good.db", "-o", "folder"), 1, "folder: Is a directory: name a file"),
        (("export", "--log", "good.db", "-o", "closed/new.csv"), 1, "closed/new.csv: Permission denied"),
    ],
}


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder with everything that the cases name."""
    directory = tmp_path_factory.mktemp("room")
    (directory / "folder").mkdir()
    (directory / "closed").mkdir()
    tones(directory / "tone.wav", [-18.0, -18.0], seconds=2)
    tones(directory / "mono.wav", [-18.0], seconds=1)
    tones(directory / "slow.wav", [-18.0, -18.0], seconds=1, rate_hz=22_050)
    tones(directory / "secret.wav", [-18.0, -18.0], seconds=1).chmod(0)
    empty = str(directory / "empty.wav")
    subprocess.run(["sox", "-n", "-r", "48000", "-b", "16", "-c", "2", empty, "trim", "0", "0"], check=True)
    texts = {
        "room.toml": ROOM,
        "device.toml": ROOM.replace('"simulated"', '"device"\ndevice = "no such box"\nhost_api = "JACK"'),
        "nameless.toml": ROOM.replace('"simulated"', '"recording"'),
        "recording.toml": ROOM.replace('"simulated"', '"recording"\nrecording = "none.wav"'),
        "lost.toml": ROOM.replace("room.db", "lost/room.db"),
        "broken.toml": "machine = [",
        "secret.toml": ROOM,
        "empty.toml": "",
        "text.wav": "It is a tone, believe me.\n",
        "text.db": "trim 1: turned it up a little\n" * 20,
        "secret.db": "",
        "nothing.wav": "",
    }
    for name, text in texts.items():
        (directory / name).write_text(text, encoding="utf-8")
    (directory / "latin.toml").write_bytes('[machine]\nname = "Groß"\ntracks = 2\n'.encode("latin-1"))
    with closing(sqlite3.connect(directory / "other.db")) as connection:
        connection.execute("CREATE TABLE tapes (name TEXT)")
    done = run("replay", "tone.wav", "room.toml", "--log", "good.db", **where(directory))
    assert done.returncode == 0, done.stderr
    for name in ("secret.toml", "secret.db"):
        (directory / name).chmod(0)
    (directory / "closed").chmod(0o555)
    yield directory
    (directory / "closed").chmod(0o755)


def where(directory: Path) -> dict[str, Any]:
    """Options to run the program in a directory, as somebody who may not do everything."""
    root = str(Path(__file__).parents[2])
    environment = {**NO_INTERFACE, "PYTHONPATH": root, "XDG_DATA_HOME": str(directory / "data")}
    return {"cwd": directory, "before": ORDINARY, "environment": environment}


@pytest.fixture(scope="module")
def starters(room: Path) -> Iterator["queue.SimpleQueue[Starter]"]:
    """As many as there are processors."""
    with ExitStack() as made:
        free: queue.SimpleQueue[Starter] = queue.SimpleQueue()
        for _ in range(os.cpu_count() or 1):
            options = where(room)
            free.put(made.enter_context(closing(Starter(options["before"], options["environment"]))))
        yield free


def complaints(room: Path, case: Case, free: "queue.SimpleQueue[Starter] | None") -> list[str]:
    """Return what is wrong with the answer to a wrong use; without a starter it is started as a user does."""
    words, status, said = case
    if free is None:
        done = run(*words, **where(room))
    else:
        starter = free.get()
        try:
            done = run_from(starter, *words, folder=room)
        finally:
            free.put(starter)
    everything = " ".join(f"{done.stdout}{done.stderr}".split())
    wrong = []
    if done.returncode != status:
        wrong.append(f"status {done.returncode}, not {status}")
    if said.format(room=room) not in everything:
        wrong.append(f"does not say {said!r}")
    # What is wrong with how a command was called is told by several lines, of which the last says it.
    lines = [line for line in done.stderr.splitlines() if not line.endswith("wrong in the config")]
    if len(lines) > 1 and "Usage: " not in lines[0]:
        wrong.append("takes more than a line")
    return [f"trimbridge {' '.join(words)}: {one}:\n{done.stdout}{done.stderr}" for one in wrong]


@pytest.mark.parametrize("command", sorted(CASES))
def test_wrong_use_is_told_and_has_its_status(command: str, room: Path, starters: "queue.SimpleQueue[Starter]") -> None:
    """The first case of each command, and an option that it does not have, take the whole way from a new process."""
    strangers: list[Case] = [
        ((command, "--no-such-option"), 2, "No such option"),
        ((command, *(["x"] * 4)), 2, "unexpected extra argument"),
    ]
    first, *others = CASES[command]
    ways = [(case, None) for case in (first, strangers[0])]
    ways += [(case, starters) for case in (*others, *strangers[1:])]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        wrong = [one for found in pool.map(lambda way: complaints(room, *way), ways) for one in found]
    assert not wrong, "\n".join(wrong)


def test_every_command_has_its_cases() -> None:
    assert set(CASES) == set(commands())


def test_what_was_only_read_is_as_it_was(room: Path) -> None:
    assert (room / "text.db").read_text() == "trim 1: turned it up a little\n" * 20
    assert (room / "text.wav").read_text() == "It is a tone, believe me.\n"
    assert list(room.glob("text.db*")) == [room / "text.db"]
    with closing(sqlite3.connect(room / "other.db")) as connection:
        assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("tapes",)]


@pytest.mark.parametrize("words", [(), ("polish",), ("--louder",)])
def test_without_a_command(words: tuple[str, ...]) -> None:
    done = run(*words)
    assert done.returncode == 2
    assert "Usage: " in done.stdout + done.stderr
