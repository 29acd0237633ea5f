"""The questions of init: every default makes a config, every wrong answer is asked again, nothing is half-written."""

import io
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from bridge.cli.console import Nobody, Picture, Terminal
from bridge.cli.init import init
from bridge.cli.level_meter import Levels
from bridge.cli.patch_finder import picture
from bridge.config.convert import to_banks, to_machine, to_steps, to_tapes
from bridge.config.load import load
from bridge.config.settings import TimeConstants
from bridge.source.devices import InputDevice
from tests.cli.program import ORDINARY, run
from tests.system.terminal import Pty

EIGHT = InputDevice("Rack by the window (invented)", "JACK Audio Connection Kit", 8, 96_000)
STEREO = InputDevice("Desk", "ALSA", 2, 22_050)


@contextmanager
def silent(device: InputDevice, sample_rate_hz: int) -> Iterator[Levels]:
    yield lambda: [-90.0] * device.channels


@contextmanager
def dead(device: InputDevice, sample_rate_hz: int) -> Iterator[Levels]:
    raise OSError("the device is busy")
    yield lambda: []


class Person:
    """Answers a question by the first of ``answers`` whose words are in it; else takes the default."""

    def __init__(self, answers: Sequence[tuple[str, str]], hand: Callable[[int], None] = lambda track: None) -> None:
        self.answers = list(answers)
        self.said: list[str] = []
        self.asked: list[str] = []
        self._hand = hand

    def say(self, text: str) -> None:
        self.said.append(text)

    def ask(self, question: str, default: str, *, at_cursor: str = "") -> str:
        self.asked.append(question)
        for answer in self.answers:
            if answer[0] in question:
                self.answers.remove(answer)
                return answer[1] or default
        return default

    def watch(self, picture: Picture, question: str) -> str:
        picture()
        self._hand(int(question.rsplit(" ", 1)[1]))
        picture()
        return self.ask(question, "")


def test_all_defaults_make_a_config(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    out = io.StringIO()
    assert init(file, Nobody(out), [EIGHT, STEREO], silent) == 0
    settings = load(file)
    assert (settings.machine.name, settings.machine.tracks) == ("My recorder", 8)
    assert (settings.audio.device, settings.audio.host_api) == (EIGHT.name, EIGHT.host_api)
    assert settings.audio.sample_rate_hz == 96_000
    assert to_banks(settings)[0].inputs == tuple(range(1, 9))
    assert settings.osc.listen == settings.page.listen == "127.0.0.1"
    assert to_steps(settings)
    assert "Written" in out.getvalue()


def test_without_an_interface_the_simulated_recorder_plays(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    assert init(file, Nobody(io.StringIO()), [], silent) == 0
    assert load(file).audio.source == "simulated"


def test_a_rate_that_the_tool_does_not_take_is_not_offered(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    assert init(file, Nobody(io.StringIO()), [STEREO], silent) == 0
    settings = load(file)
    assert settings.audio.sample_rate_hz == 44_100
    assert [bank.tracks for bank in to_banks(settings)] == [(1, 2), (3, 4), (5, 6), (7, 8)]
    assert {bank.inputs for bank in to_banks(settings)} == {(1, 2)}


def test_answers_arrive_in_the_config(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    person = Person(
        [
            ("What do you call it", 'The "big" one \\ two-inch'),
            ("How many tracks", "24"),
            ("Which tape", "1"),
            ("Operating level", "510"),
            ("Its speeds", "15 30"),
            ("Equalization at 15", "nab"),
            ("Equalization at 30", ""),
            ("What do you call it", "Blue box"),
            ("fluxivity in nWb/m", "185"),
            ("German scale", "yes"),
            ("Its speed in in/s", "30"),
            ("Its equalization", "other time constants"),
            ("time constant", "17,5 0"),
            ("whole width", "no"),
            ("Its tones", "700 10000:-10"),
            ("Which interface", "1"),
            ("Sample rate", "48000"),
            ("Reference level", "-20"),
            ("hears commands", "0"),
            ("tablets and phones", "yes"),
            ("other computers", "yes"),
            ("Fixed receivers", "localhost:9000; [::1]:9001"),
            ("File", "logs/trims.db"),
        ]
    )
    assert init(file, person, [EIGHT, STEREO], silent) == 0
    assert person.answers == []
    settings = load(file)
    machine, (tape,) = to_machine(settings), to_tapes(settings)
    assert machine.name == 'The "big" one \\ two-inch'
    assert (machine.tracks, machine.operating_level_nwb_per_m) == (24, 510)
    assert machine.track_width_mm is not None
    assert [(speed.ips, speed.equalization.name) for speed in machine.speeds] == [(15, "nab"), (30, "iec2")]
    assert (tape.name, tape.fluxivity_nwb_per_m, tape.scale, tape.full_track) == ("Blue box", 185, "german", False)
    assert settings.tapes[0].equalization == TimeConstants(hf_us=17.5, lf_us=0)
    assert [(tone.hz, tone.level_db) for tone in tape.tones] == [(700, 0), (10_000, -10)]
    assert [bank.tracks for bank in to_banks(settings)] == [
        tuple(range(1, 9)),
        tuple(range(9, 17)),
        tuple(range(17, 25)),
    ]
    assert settings.audio.reference_dbfs == -20
    assert settings.page.listen == "0.0.0.0"
    # IEC 60094-1:1981, and NAB 1965: what a label says tells which curve it is.
    assert "   2  iec2: 3180 and 50 µs" in person.said
    assert "   1  iec1: 35 µs" in person.said
    assert settings.osc.listen == "0.0.0.0"
    assert len(settings.osc.pairing_code) == 6
    assert settings.osc.destinations == ("localhost:9000", "[::1]:9001")
    assert settings.log.file == tmp_path / "logs" / "trims.db"


def test_what_is_wrong_is_said_at_once_and_asked_again(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    wrong = [
        ("How many tracks", "eight", '"eight": must be a whole number, without a unit'),
        ("How many tracks", "80", "80: must be a whole number from 1 to 64"),
        ("Operating level", "5", "5: must be a number from 10 to 2000 nWb/m"),
        ("Its speeds", "15 15", "15: this speed stands there already; one equalization each"),
        ("Its speeds", "fast", '"fast": must be a number, without a unit'),
        ("Equalization at 15", "9", "9: must be a number from 1 to 4, or the words behind it"),
        ("Its speed in in/s", "0", "0: must be a number above 0, up to 60 in/s"),
        ("Its tones", "1000 5", "5: must be a number from 20 to 20000 Hz"),
        ("Its tones", ";", '";": must be at least one tone, such as 1000'),
        ("German", "maybe", '"maybe": must be yes or no'),
        ("Sample rate", "12000", "12000: must be a whole number from 44100 to 192000 Hz"),
        ("Reference level", "18", "18: must be a number from -60 to 0 dBFS"),
        ("hears commands", "70000", "70000: must be a whole number from 0 to 65535"),
        (
            "Fixed receivers",
            "localhost",
            '"localhost": must be host:port with a port from 1 to 65535, such as "192.168.1.20:9000"',
        ),
    ]
    person = Person([(question, answer) for question, answer, _ in wrong])
    assert init(file, person, [EIGHT], silent) == 0
    for question, _, message in wrong:
        assert f"  {message}" in person.said, (question, person.said)
    load(file)


def test_a_tone_tells_which_input_is_which(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    patched = {1: 3, 2: 1, 3: 8, 4: 2}
    now = [-85.0] * 8

    def hand(track: int) -> None:
        now[:] = [-85.0] * 8
        now[patched[track] - 1] = -18.0
        now[5] = -82.0  # hum that came up a little

    @contextmanager
    def levels(device: InputDevice, sample_rate_hz: int) -> Iterator[Levels]:
        now[:] = [-85.0] * 8
        yield lambda: tuple(now)

    class Quiet(Person):
        def watch(self, picture: Picture, question: str) -> str:
            now[:] = [-85.0] * 8
            picture()
            return super().watch(picture, question)

    person = Quiet([("How many tracks", "4"), ("Is track 1 on input 1", "no"), ("Input of track 2", "3")], hand)
    assert init(file, person, [EIGHT], levels) == 0
    assert to_banks(load(file))[0].inputs == (3, 1, 8, 2)
    assert "  input 3 is track 1 already" in person.said


def test_an_interface_that_cannot_be_heard_is_said(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    person = Person([("Is track 1 on input 1", "no")])
    assert init(file, person, [EIGHT], dead) == 0
    assert "The inputs cannot be heard: the device is busy" in person.said
    load(file)


def test_the_picture_holds_64_inputs_in_16_lines() -> None:
    lines = picture([-90.0] * 40 + [-18.0] + [0.0] * 23, 41)
    assert len(lines) == 16
    assert " 41 ########....  -18.0 <" in lines[8]
    assert " 64 ############    0.0" in lines[15]
    assert sum("<" in line for line in lines) == 1
    assert picture([-200.0], None) == ["  1 ............  -99.9  "]


def test_an_existing_file_is_only_overwritten_after_a_yes(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    file.write_text("# mine\n")
    assert init(file, Nobody(io.StringIO()), [EIGHT], silent) == 1
    assert init(file, Person([]), [EIGHT], silent) == 1
    assert file.read_text() == "# mine\n"
    assert init(file, Person([("Overwrite", "yes")]), [EIGHT], silent) == 0
    assert load(file).machine.tracks == 8


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    person = Person([])
    assert init(tmp_path / "none" / "studio.toml", person, [EIGHT], silent) == 1
    assert person.said[-1].endswith("is missing; name a file in a folder that is there")


def test_a_folder_in_the_place_of_a_file_and_a_file_in_that_of_a_folder(tmp_path: Path) -> None:
    person = Person([])
    assert init(tmp_path, person, [EIGHT], silent) == 1
    (tmp_path / "notes").touch()
    assert init(tmp_path / "notes" / "studio.toml", person, [EIGHT], silent) == 1
    assert person.said == [
        f"{tmp_path}: cannot be written: a folder; name a file in it",
        f"{tmp_path}/notes/studio.toml: cannot be written: {tmp_path}/notes is no folder; "
        "name a file in a folder that is there",
    ]
    assert person.asked == []


@pytest.mark.parametrize(
    ("mode", "said"),
    [
        (0o555, "cannot be written: you may write nothing into the folder"),
        (0o000, "cannot be written: "),
    ],
)
def test_a_folder_into_which_nothing_may_be_written_is_said_before_anything_is_asked(
    tmp_path: Path, mode: int, said: str
) -> None:
    folder = tmp_path / "shared"
    folder.mkdir()
    folder.chmod(mode)
    try:
        done = run("init", folder / "studio.toml", before=ORDINARY)
    finally:
        folder.chmod(0o755)
    assert done.returncode == 1
    (line,) = done.stdout.splitlines()
    assert line.startswith(f"{folder}/studio.toml: {said}")
    assert line.endswith("; name a file in another folder")
    assert done.stderr == ""


def test_a_question_stands_before_its_choices(tmp_path: Path) -> None:
    out = io.StringIO()
    assert init(tmp_path / "studio.toml", Terminal(io.StringIO("\n" * 40), out), [EIGHT, STEREO], silent) == 0
    said = out.getvalue()
    begin = said.index("Which interface:\n")
    assert said[begin:].startswith(
        "Which interface:\n"
        f"   1  {EIGHT}\n"
        f"   2  {STEREO}\n"
        "   3  none: the simulated recorder, for practice\n"
        "Which one [1]: "
    )


def test_answers_that_end_leave_nothing(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    out = io.StringIO()
    assert init(file, Terminal(io.StringIO("Name\n8\n"), out), [EIGHT], silent) == 1
    assert "nothing was written" in out.getvalue()
    assert list(tmp_path.iterdir()) == []


def test_answers_may_come_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    assert init(file, Terminal(io.StringIO("Name\n" + "\n" * 40), io.StringIO()), [EIGHT], silent) == 0
    assert load(file).machine.name == "Name"


SCRIPT = """
import signal, sys
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from bridge.cli.console import at_terminal
from bridge.cli.init import init
from bridge.source.devices import InputDevice
times = count()
@contextmanager
def levels(device, rate):
    yield lambda: [-80.0, -18.0 if next(times) > 12 else -80.0]
sys.exit(init(Path({path!r}), at_terminal(), [InputDevice("Desk", "ALSA", 2, 48000)], levels))
"""

GONE = """times = count()
def gone():
    raise OSError("the cable is out")
"""


def test_an_interface_that_goes_away_at_a_terminal(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    script = SCRIPT.replace("if next(times) > 12 else -80.0", "if next(times) < 12 else gone()")
    script = script.replace("times = count()", GONE).format(path=str(file))
    with Pty([sys.executable, "-c", script]) as terminal:
        terminal.type("\n2\n" + "\n" * 15 + "no\n")
        terminal.until("the cable is out (press Enter)")
        terminal.type("\n")
        terminal.until("The inputs cannot be heard: the cable is out")
        terminal.type("\n" * 5)
        terminal.until("Written")
        assert terminal.end() == 0
    load(file)


def test_ctrl_c_at_a_terminal_leaves_nothing(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    with Pty([sys.executable, "-c", SCRIPT.format(path=str(file))]) as terminal:
        terminal.until("What do you call it [My recorder]: ")
        terminal.type("Name\n")
        terminal.until("How many tracks")
        terminal.process.send_signal(signal.SIGINT)
        terminal.until("Stopped; nothing was written.")
        assert terminal.end() == 1
    assert list(tmp_path.iterdir()) == []


def test_levels_move_at_a_terminal_while_the_person_types(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    with Pty([sys.executable, "-c", SCRIPT.format(path=str(file))]) as terminal:
        terminal.until("What do you call it")
        terminal.type("\n2\n")
        for words in (
            "Which tape",
            "Operating",
            "Its speeds",
            "Equalization",
            "What do you call it",
            "fluxivity",
            "German",
        ):
            terminal.until(words)
            terminal.type("\n")
        for words in ("Its speed", "Its equalization", "whole width", "low tones", "Its tones", "Which interface"):
            terminal.until(words)
            terminal.type("\n")
        for words in ("Sample rate", "Reference level"):
            terminal.until(words)
            terminal.type("\n")
        terminal.until("Is track 1 on input 1")
        terminal.type("no\n")
        terminal.until("Input of track 1: ")
        terminal.until("  2 ########....  -18.0 <")
        terminal.type("\n")
        terminal.until("Input of track 2: ")
        terminal.type("1\n")
        for words in ("tablets and phones", "hears commands", "other computers", "Fixed receivers", "File"):
            terminal.until(words)
            terminal.type("\n")
        terminal.until("Written")
        assert terminal.end() == 0
    assert to_banks(load(file))[0].inputs == (2, 1)


def test_a_tape_for_each_speed_is_asked_for(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    person = Person(
        [
            ("Its speeds", "15 30"),
            ("What do you call it", ""),
            ("What do you call it", "Slow"),
            ("fluxivity in nWb/m", "250"),
            ("for 30 in/s, too", "yes"),
            ("What do you call it", "Fast"),
            ("fluxivity in nWb/m", "355"),
            ("Its tones", ""),
            ("Its tones", "1000 10000:-10"),
        ]
    )
    assert init(file, person, [EIGHT], silent) == 0
    assert person.answers == []
    settings = load(file)
    slow, fast = to_tapes(settings)
    assert (slow.name, slow.speed_ips, slow.fluxivity_nwb_per_m, slow.equalization.name) == ("Slow", 15, 250, "iec1")
    assert (fast.name, fast.speed_ips, fast.fluxivity_nwb_per_m, fast.equalization.name) == ("Fast", 30, 355, "iec2")
    assert [(tone.hz, tone.level_db) for tone in fast.tones] == [(1000, 0), (10_000, -10)]
    assert {step.speed_ips for step in to_steps(settings)} == {15, 30}
    assert not [question for question in person.asked if "15 in/s, too" in question]


def test_without_another_tape_the_config_has_one_section_of_it(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    assert init(file, Person([("Its speeds", "15 30")]), [EIGHT], silent) == 0
    assert "\n[tape]\n" in file.read_text(encoding="utf-8")
    assert len(to_tapes(load(file))) == 1
