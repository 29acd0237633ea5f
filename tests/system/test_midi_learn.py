"""`trimbridge learn` as a person uses it: a real switch, real answers, a real config."""

import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.wire.midi import stable_part
from tests.system.daemon import ROOT
from tests.system.jack import JackServer, wait_until
from tests.system.midi import Player

BEFORE = """# Harbour room (invented)
[machine]   # the one-inch
name = "Harbour room"
tracks = 8

# The big pedal
[[midi.bind]]
message = "start"   # nobody remembers why
command = "next"
"""


@pytest.fixture(scope="module")
def server() -> Iterator[JackServer]:
    with JackServer(channels=2, synchronous=False) as one:
        yield one


class Learning:
    """The command in a process of its own; its terminal is a pipe, so a person's answers are lines."""

    def __init__(self, config: Path, server: JackServer) -> None:
        self._output = config.with_suffix(".out").open("w+")
        self.process = subprocess.Popen(
            [sys.executable, "-c", "import sys; from pathlib import Path; from bridge.cli.failures import told; "
             "from bridge.cli.learn import learn_binding\nwith told(): learn_binding(Path(sys.argv[1]))", str(config)],
            cwd=ROOT, env=server.environment, stdin=subprocess.PIPE, stdout=self._output, stderr=subprocess.STDOUT,
            text=True,
        )  # fmt: skip

    @property
    def said(self) -> str:
        return Path(self._output.name).read_text()

    def answer(self, *lines: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write("".join(f"{line}\n" for line in lines))
        self.process.stdin.flush()

    def end(self) -> int:
        assert self.process.stdin is not None
        self.process.stdin.close()
        try:
            return self.process.wait(60)
        finally:
            self.process.kill()
            self.process.wait()
            self._output.close()


def learned(
    server: JackServer, folder: Path, moves: list[str], answers: list[str], before: str = BEFORE
) -> dict[str, object]:
    config = folder / "studio.toml"
    config.write_text(before)
    with Player(server, "Foot board") as foot:
        learning = Learning(config, server)
        try:
            wait_until(lambda: "nothing has arrived yet" in learning.said, "it listens")
            wait_until(lambda: any(there == "Foot board:out" for there, _ in server.wires()), "it is wired")
            asked = 0

            def heard() -> bool:
                """Move it, and ask what was heard: there is no number 99, so it is shown anew."""
                nonlocal asked
                foot.send(*moves)
                learning.answer("99")
                asked += 1
                wait_until(lambda: learning.said.count("Which one?") > asked, "it asks again")
                return "a number from 1 to" in learning.said

            wait_until(heard, "the box is heard")
            learning.answer("", *answers)
        finally:
            status = learning.end()
    assert status == 0, learning.said
    text = config.read_text()
    assert text.startswith(before)
    assert (folder / "studio.toml.1.bak").read_text() == before
    bindings = tomllib.loads(text)["midi"]["bind"]
    assert len(bindings) == 2
    return dict(bindings[1])


def test_a_foot_switch(server: JackServer, tmp_path: Path) -> None:
    assert learned(server, tmp_path, ["B0407F", "B04000"], ["next: go to the next step", ""]) == {
        "port": "Foot board:out", "message": "control", "channel": 1, "number": 64, "command": "next",
    }  # fmt: skip


def test_a_row_of_pads(server: JackServer, tmp_path: Path) -> None:
    answers = ["focus: choose a track", "number", "1", "43"]
    assert learned(server, tmp_path, ["992440", "992400"], answers) == {
        "port": "Foot board:out", "message": "note", "channel": 10, "number": 36, "last_number": 43,
        "command": "focus", "take": "number", "offset": -35,
    }  # fmt: skip


def test_an_endless_encoder(server: JackServer, tmp_path: Path) -> None:
    assert learned(server, tmp_path, ["B03C01", "B03C41"], ["focus: choose a track", "", ""]) == {
        "port": "Foot board:out", "message": "control", "channel": 1, "number": 60,
        "command": "focus", "take": "turn", "encoder": "sign and size",
    }  # fmt: skip


def test_a_switch_that_sends_a_parameter(server: JackServer, tmp_path: Path) -> None:
    """Non-registered parameter 130 = 1 × 128 + 2, of which it sets the lower half alone to 1: far below the middle."""
    moves = ["B06301", "B06202", "B00600", "B02601", "B02600"]
    assert learned(server, tmp_path, moves, ["next: go to the next step", ""]) == {
        "port": "Foot board:out", "message": "non-registered parameter", "channel": 1, "number": 130,
        "command": "next", "lowest_value": 1,
    }  # fmt: skip


def test_an_encoder_that_counts_a_parameter(server: JackServer, tmp_path: Path) -> None:
    """Data increment and decrement (controllers 96 and 97) of non-registered parameter 130: clicks of an encoder."""
    moves = ["B06301", "B06202", "B06000", "B06000", "B06100"]
    assert learned(server, tmp_path, moves, ["focus: choose a track", ""]) == {
        "port": "Foot board:out", "message": "non-registered parameter", "channel": 1, "number": 130,
        "command": "focus", "take": "turn",
    }  # fmt: skip


def test_an_encoder_for_practice_trimmers(server: JackServer, tmp_path: Path) -> None:
    answers = ["practice turn: turn a trimmer of the simulated recorder", "turn", "", "0.05", ""]
    before = BEFORE.replace("tracks = 8\n", 'tracks = 8\n\n[audio]\nsource = "simulated"\n')
    assert learned(server, tmp_path, ["B03C01", "B03C7F"], answers, before) == {
        "port": "Foot board:out", "message": "control", "channel": 1, "number": 60,
        "command": "practice turn", "take": "turn", "share": 0.05, "encoder": "two's complement",
    }  # fmt: skip


def test_nothing_is_written_when_it_is_stopped(server: JackServer, tmp_path: Path) -> None:
    config = tmp_path / "studio.toml"
    config.write_text(BEFORE)
    learning = Learning(config, server)
    assert learning.end() == 1
    assert "trimbridge: stopped; nothing was written" in learning.said
    assert config.read_text() == BEFORE


@pytest.mark.parametrize(
    ("name", "part"),
    [
        # How ALSA and its bridge to JACK write names; the last is JACK's own.
        ("Foot Board:Foot Board MIDI 1 24:0", "Foot Board:Foot Board MIDI 1"),
        ("a2j:Foot Board [24] (capture): Foot Board MIDI 1", "Foot Board"),
        ("Foot board:out", "Foot board:out"),
        ("Foot Board Port 2", "Foot Board Port 2"),
        ("24:0", "24:0"),
    ],
)
def test_the_part_of_a_name_that_stays(name: str, part: str) -> None:
    assert stable_part(name) == part
