"""What happens by accident at a machine, played on the simulated recorder to the real program: said, not guessed."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.system.daemon import Daemon, Ear, free_port, write_config
from tests.system.jack import wait_until

TRACKS = 8
HIGH = """
[[step]]
adjustment = "repro high"
tone_hz = 10000
tolerance_db = 0.5
"""


class Practice:
    """A daemon with the simulated recorder, and a hand on it."""

    def __init__(self, folder: Path, ear: Ear) -> None:
        self.ear = ear
        self.port = free_port()
        config = write_config(
            folder / "room.toml",
            port=self.port,
            source='source = "simulated"\n',
            tracks=TRACKS,
            more=f'destinations = ["127.0.0.1:{ear.port}"]\n{HIGH}',
        )
        self.daemon = Daemon(config)

    def ask(self, address: str, *values: object) -> str:
        """Ask for something; return why it was refused, or nothing."""
        asked = self.ear.ask(self.port, address, *values)
        wait_until(lambda: asked in self.ear.answers, f"{address} is answered", 60.0)
        ((answer, *why),) = self.ear.answers[asked]
        return "" if answer == "/done" else str(why[0])

    def until(self, condition: Callable[[], bool], what: str) -> None:
        self.daemon.until(condition, what, 120.0)

    def fine_db(self) -> list[float]:
        return [self.ear.value(f"/track/{track}/fine") for track in range(1, TRACKS + 1)]

    @property
    def trims(self) -> int:
        return sum(address == "/trim/logged" for address, _ in list(self.ear.messages))

    def said(self, pattern: str) -> bool:
        return bool(re.search(pattern, self.daemon.output))

    def tone(self, hz: float, seconds: float) -> None:
        """Wait until a tone has played for so long."""
        self.until(
            lambda: abs(self.ear.value("/tone/hz") - hz) < 0.01 * hz and self.ear.value("/tone/s") > seconds,
            f"{hz:g} Hz has played for {seconds:g} s",
        )


@pytest.fixture
def practice(tmp_path: Path) -> Iterator[Practice]:
    with Ear() as ear:
        made = Practice(tmp_path, ear)
        with made.daemon:
            made.until(lambda: ear.value("/health/source") == "running", "the source runs")
            yield made


def test_a_playback_level_that_moves_is_said_and_no_trim(practice: Practice) -> None:
    assert practice.ask("/practice/tone", 1000.0) == ""
    practice.tone(1000.0, 10.0)
    before_db = practice.fine_db()
    assert practice.ask("/practice/playback_level", -1.0) == ""
    told = r"all tracks moved by −(0\.9\d|1\.0\d) dB: the playback level, not a trim"
    practice.until(lambda: practice.said(told), "it is said")
    practice.until(lambda: re.search(told, practice.ear.value("/health/message")) is not None, "the page is told, too")
    # By the definition of the decibel, every track reads 1 dB less.
    after_db = practice.fine_db()
    assert [after - before for before, after in zip(before_db, after_db, strict=True)] == pytest.approx(
        [-1.0] * TRACKS, abs=0.15
    )
    # On tape as steady as this a trim is in the log some seconds after it was left, 20 s at the most.
    practice.tone(1000.0, practice.ear.value("/tone/s") + 21.0)
    assert practice.trims == 0
    # Trims are seen as before.
    for _ in range(3):
        assert practice.ask("/practice/turn", 3, "repro level", 0.04) == ""
    practice.until(lambda: practice.trims == 1, "a trim logs itself")
    assert next(values[0] for address, values in practice.ear.messages if address == "/trim/logged") == 3


def test_a_foreign_tone_is_said_and_leads_nowhere(practice: Practice) -> None:
    assert practice.ask("/practice/tone", 1000.0) == ""
    practice.tone(1000.0, 2.0)
    assert practice.ask("/practice/foreign_tone", 3150.0) == ""
    practice.tone(3150.0, 2.0)
    said = practice.ear.value("/health/message")
    assert re.fullmatch(r"no step wants a tone of 31[2-8]\d Hz", said), said
    assert practice.ear.value("/step/number") == 1
    assert all(practice.ear.value(f"/track/{track}/state") == "tone" for track in range(1, TRACKS + 1))
    # What is of the tape leads on as ever.
    assert practice.ask("/practice/tone", 10_000.0) == ""
    practice.until(lambda: practice.ear.value("/step/number") == 2, "the tone of the tape leads on")
    # What is so now goes before what was said of the step that was left.
    assert practice.said("repro level at 1000 Hz is left")
    assert practice.ask("/practice/foreign_tone", 3150.0) == ""
    practice.tone(3150.0, 2.0)
    said = practice.ear.value("/health/message")
    assert re.fullmatch(r"no step wants a tone of 31[2-8]\d Hz; .*repro level at 1000 Hz is left.*", said), said


@pytest.mark.parametrize(("what", "seconds"), [("announcement", 12.0), ("noise", 8.0), ("sweep", 33.0)])
def test_what_is_no_tone_leads_nowhere_and_logs_nothing(practice: Practice, what: str, seconds: float) -> None:
    assert practice.ask("/practice/tone", 1000.0) == ""
    practice.tone(1000.0, 8.0)
    assert practice.ask("/practice/foreign", what) == ""
    practice.until(lambda: practice.ear.value("/tone/s") < 1.0, "the tone has ended")
    practice.until(lambda: practice.ear.value("/track/1/vu") > -30.0, "something is heard")
    heard = len(practice.ear.frames)
    practice.until(lambda: len(practice.ear.frames) > heard + 30 * seconds, f"{seconds:g} s have passed")
    frames = [frame for _, frame in practice.ear.frames[heard:]]
    assert {frame["/step/number"] for frame in frames} == {(1,)}
    assert practice.trims == 0
    # Whatever its frequency is at a moment, nothing calls it a tone, unless it is that of the step.
    other = [frame for frame in frames if abs(frame["/tone/hz"][0] - 1000.0) > 30.0]
    assert what != "sweep" or any(frame["/tone/hz"][0] > 0.0 for frame in other)
    assert {frame["/tone/stands"] for frame in other} == {(False,)}
    states = {frame[f"/track/{track}/state"] for frame in other for track in range(1, TRACKS + 1)}
    assert states == {("quiet",)}
    told = re.findall(r"(?m)^tone ([\d.]+) Hz$", practice.daemon.output)
    assert told
    assert [float(hz) for hz in told] == pytest.approx([1000.0] * len(told), rel=0.01)
    assert practice.ask("/practice/tone", 1000.0) == ""
    practice.tone(1000.0, 1.0)


def test_what_cannot_be_played_is_refused_with_what_can(practice: Practice) -> None:
    assert practice.ask("/practice/playback_level", -13.0) == "/practice/playback_level: level must be -12 to 12"
    assert practice.ask("/practice/foreign_tone", 19.0) == "/practice/foreign_tone: frequency must be 20 to 20000"
    refused = practice.ask("/practice/foreign_tone", 1000.0)
    assert refused == "1000 Hz is a tone of the tape: /practice/tone winds to it"
    assert practice.ask("/practice/foreign", "music") == (
        "there is no music to play: there are announcement, sweep, noise"
    )
    # Refused, the tape plays on.
    assert practice.ask("/practice/tone", 3150.0) == "the tape has no tone of 3150 Hz"
    practice.tone(1000.0, 1.0)
