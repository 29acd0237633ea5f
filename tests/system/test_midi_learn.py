"""`trimbridge learn` as a person uses it: a real switch, real answers, a real config."""

import re
import signal
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
from tests.system.terminal import Pty

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
    """Return the binding that was written."""
    return conversed(server, folder, moves, answers, before)[0]


def conversed(
    server: JackServer, folder: Path, moves: list[str], answers: list[str], before: str = BEFORE
) -> tuple[dict[str, object], str]:
    """Return the binding that was written, and what was said after the box was heard."""
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
            begin = len(learning.said)
            learning.answer("", *answers)
        finally:
            status = learning.end()
    assert status == 0, learning.said
    assert "Traceback" not in learning.said
    text = config.read_text()
    assert text.startswith(before)
    assert (folder / "studio.toml.1.bak").read_text() == before
    bindings = tomllib.loads(text)["midi"]["bind"]
    assert len(bindings) == 2
    return dict(bindings[1]), learning.said[begin:]


def faults(said: str) -> list[str]:
    """Return what was said of wrong answers: it stands behind the question that was answered."""
    return re.findall(r"\]?: {3}(\S.*)", said)


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


def test_a_row_whose_last_number_is_below_its_first_is_asked_for_that_number_alone(
    server: JackServer, tmp_path: Path
) -> None:
    answers = ["focus", "number", "1", "35", "200", "43"]
    binding, said = conversed(server, tmp_path, ["992440", "992400"], answers)
    assert (binding["number"], binding["last_number"], binding["offset"]) == (36, 43, -35)
    # Notes are numbered 0 to 127 (MIDI 1.0 Detailed Specification, Channel Voice Messages).
    assert faults(said) == [
        "35: must be 36 or above; the row begins with note 36",
        "200: must be from 0 to 127 for note",
    ]
    assert said.count("The last note of the row") == 3
    assert said.count("Which track is note 36") == 1


def test_of_several_questions_only_the_one_that_was_answered_wrong_is_asked_again(
    server: JackServer, tmp_path: Path
) -> None:
    answers = ["step", "pedal", "same", "99999", "third", "0", "3", "press", "latching"]
    binding, said = conversed(server, tmp_path, ["B0407F", "B04000"], answers)
    assert binding == {
        "port": "Foot board:out", "message": "control", "channel": 1, "number": 64,
        "command": "step", "argument": 3, "switch": "latching",
    }  # fmt: skip
    steps = re.search(r"Which step, 1 to (\d+) ", said)
    assert steps is not None
    assert faults(said) == [
        '"pedal": must be a number from 1 to 5, or the words behind it',
        f"99999: must be 1 to {steps[1]}; there are {steps[1]} steps",
        '"third": must be a whole number, without a unit',
        f"0: must be 1 to {steps[1]}; there are {steps[1]} steps",
        '"press": must be a number from 1 to 2, or the words behind it',
    ]
    assert said.count("What shall it do") == said.count("Which step:") == said.count("Which kind of switch") == 1
    assert said.count("Which step, 1 to") == 4


def test_what_a_trimmer_cannot_do_is_said_in_plain_words(server: JackServer, tmp_path: Path) -> None:
    before = BEFORE.replace("tracks = 8\n", 'tracks = 8\n\n[audio]\nsource = "simulated"\n')
    answers = ["practice turn", "same", "bias", "2", "0", "much", "0,1", "9", "8", "momentary"]
    binding, said = conversed(server, tmp_path, ["B0407F", "B04000"], answers, before)
    assert (binding["text"], binding["share"], binding["argument"]) == ("bias", 0.1, 8)
    assert faults(said) == [
        "2: must be a number from -1 to 1",
        "0: 0 turns nothing",
        '"much": must be a number, without a unit',
        "9: must be 1 to 8; there are 8 tracks",
    ]


def test_a_text_that_is_too_long_or_missing_is_asked_for_again(server: JackServer, tmp_path: Path) -> None:
    answers = ["confirm", "tracks safe", "", "x" * 65, "Wren (invented)", ""]
    binding, said = conversed(server, tmp_path, ["B0407F", "B04000"], answers)
    assert (binding["text"], binding["who"]) == ("tracks safe", "Wren (invented)")
    assert faults(said) == [
        "missing; confirm needs who does it",
        f'"{"x" * 58}…: must be text, up to 64 characters',
    ]
    assert said.count("Which item") == 1


def test_a_person_at_a_terminal(server: JackServer, tmp_path: Path) -> None:
    config = tmp_path / "studio.toml"
    config.write_text(BEFORE)
    command = [sys.executable, "-m", "bridge", "learn", str(config)]
    with Player(server, "Foot board") as foot, Pty(command, server.environment) as terminal:
        terminal.until("nothing has arrived yet")
        wait_until(lambda: any(there == "Foot board:out" for there, _ in server.wires()), "it is wired")
        foot.send("B0407F", "B04000")
        terminal.until("Foot board:out: control 64 channel 1  values 0 to 127  2×")
        terminal.type("\n")
        terminal.until("What shall it do:")
        terminal.until("Which one [1]: ")
        assert terminal.text.index("What shall it do:") < terminal.text.index("  1  next: go to the next step")
        terminal.type("log\n")
        terminal.until("Which one [1]: ")
        assert "  1  focus: the track in focus" in terminal.text
        terminal.type("\n")
        terminal.until("Which one [1]: ")
        assert "Which kind of switch is it:" in terminal.text
        terminal.type("\n")
        terminal.until("It acts from the next start of trimbridge.")
        assert terminal.end() == 0
    assert tomllib.loads(config.read_text())["midi"]["bind"][1] == {
        "port": "Foot board:out", "message": "control", "channel": 1, "number": 64, "command": "log",
    }  # fmt: skip


def test_ctrl_c_at_a_terminal_writes_nothing(server: JackServer, tmp_path: Path) -> None:
    config = tmp_path / "studio.toml"
    config.write_text(BEFORE)
    command = [sys.executable, "-m", "bridge", "learn", str(config)]
    with Pty(command, server.environment) as terminal:
        terminal.until("nothing has arrived yet")
        terminal.until("Enter takes the newest")
        terminal.process.send_signal(signal.SIGINT)
        terminal.until("\r\ntrimbridge: stopped; nothing was written")
        assert terminal.end() == 1
        assert "Traceback" not in terminal.text
    assert config.read_text() == BEFORE


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
