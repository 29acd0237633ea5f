"""What is known of a track outlasts the tone, and what is amiss with a tone is said."""

from collections.abc import Sequence

import numpy as np
import pytest

from bridge.procedure.hands_free import HandsFree
from bridge.procedure.patch import TrackLevels
from bridge.procedure.visit import on_tone
from bridge.readings import State
from tests.procedure.studio import HIGH, LEVEL, SYNC, setup

STEPS = (LEVEL, HIGH, SYNC)
BANK = setup(STEPS).banks[0]
QUIET: State = "quiet"


class Played:
    """A watch, and what is played to it."""

    def __init__(self) -> None:
        self.watch = HandsFree(STEPS, 0, (100.0,), BANK)
        self.position_s = 0.0
        self.rng = np.random.default_rng(5)
        self.led: list[int] = []

    def play(self, hz: float, seconds: float, off_db: float | Sequence[float] = 0.0) -> None:
        for _ in range(round(100 * seconds)):
            self.position_s += 0.01
            level = LEVEL.target_vu + np.asarray(off_db) + self.rng.normal(0.0, 0.01, 4)
            vu = level if hz else np.full(4, np.nan)
            share, rms = np.full(4, 0.99 if hz else 0.0), level - 18.0 if hz else np.full(4, -80.0)
            clipped = np.zeros(4, dtype=bool)
            tracks = TrackLevels(0, 0, hz, 0.0, vu, vu, vu, vu, share, rms, clipped, rms, rms + 18.0)
            if self.watch.follow(self.position_s, tracks):
                self.led.append(self.watch.index)
            self.watch.watch(self.position_s, STEPS[self.watch.index], tracks)


def test_a_tone_is_the_steps_within_the_error_of_speeds() -> None:
    assert on_tone(LEVEL, 1010.0)
    assert on_tone(LEVEL, 980.0)
    assert not on_tone(LEVEL, 1250.0)
    assert not on_tone(LEVEL, 0.0)


@pytest.mark.parametrize("after_hz", [0.0, 100.0, 10_000.0])
def test_what_was_steady_is_known_after_the_tone(after_hz: float) -> None:
    played = Played()
    played.play(1000.0, 6.0, off_db=0.1)
    played.play(after_hz, 0.5)
    for level in played.watch.steady():
        assert level is not None
        assert level.level_db == pytest.approx(0.1, abs=0.01)
        assert level.seconds > 4.0


def test_what_was_steady_is_known_after_a_short_return_of_the_tone() -> None:
    played = Played()
    played.play(1000.0, 6.0)
    played.play(0.0, 2.0)
    # Too short to say more than before.
    played.play(1000.0, 1.0, off_db=0.5)
    played.play(0.0, 0.5)
    assert all(level is not None and abs(level.level_db) < 0.01 for level in played.watch.steady())


def test_another_step_begins_with_nothing_known() -> None:
    played = Played()
    played.play(1000.0, 6.0)
    played.watch.close()
    assert None not in played.watch.steady()
    played.watch.choose(2)
    played.watch.begin()
    assert played.watch.steady() == (None, None, None, None)


def test_the_tape_leads_to_the_step_of_its_tone() -> None:
    played = Played()
    played.play(1000.0, 3.0)
    played.play(0.0, 2.0)
    played.play(10_000.0, 3.0)
    played.play(0.0, 2.0)
    played.play(1000.0, 3.0)
    assert played.led == [1, 0]


def test_what_is_amiss_with_the_tone_is_said() -> None:
    played = Played()
    played.play(1000.0, 2.0)
    assert played.watch.notice == ""
    played.play(100.0, 2.0)
    assert "no step wants a tone of 100 Hz" in played.watch.notice
    played.play(0.0, 2.0)
    assert played.watch.notice == ""
    played.watch.hold(on=True)
    played.play(10_000.0, 2.0)
    assert played.led == []
    assert played.watch.notice == "10000 Hz plays, but step 1 wants 1000 Hz"
    assert played.watch.states == (QUIET,) * 4


def test_while_following_is_off_the_step_stays_and_why_is_said() -> None:
    played = Played()
    played.play(1000.0, 2.0)
    played.watch.let_follow(False)
    assert played.watch.notice == ""
    played.play(10_000.0, 2.0)
    assert played.led == []
    assert played.watch.notice == "10000 Hz plays: step 2, repro high; following is off"
    played.play(100.0, 2.0)
    assert "no step wants a tone of 100 Hz" in played.watch.notice
    # Chosen by hand, it is the step's own tone, or another one still.
    played.play(10_000.0, 2.0)
    played.watch.choose(1)
    assert played.watch.notice == ""
    played.watch.choose(0)
    assert played.watch.notice == "10000 Hz plays: step 2, repro high; following is off"
    # On again, the tone that plays leads at once, and not the next one only.
    played.watch.let_follow(True)
    played.play(10_000.0, 0.01)
    assert played.led == [1]
    assert played.watch.notice == ""
    played.play(10_000.0, 2.0)
    assert played.led == [1]


def test_following_that_is_switched_on_in_a_silence_waits_for_a_tone() -> None:
    played = Played()
    played.play(1000.0, 2.0)
    played.watch.let_follow(False)
    played.play(10_000.0, 2.0)
    played.play(0.0, 2.0)
    played.watch.let_follow(True)
    played.play(0.0, 2.0)
    assert played.led == []
    played.play(10_000.0, 2.0)
    assert played.led == [1]


def test_hum_that_has_the_frequency_of_the_step_is_not_its_tone() -> None:
    played = Played()
    played.play(1000.0, 6.0, off_db=0.1)
    played.play(1000.0, 1.0, off_db=-35.0 - LEVEL.target_vu)
    assert played.watch.tone is None
    assert played.watch.states == (QUIET,) * 4
    assert played.watch.notice == ""
    # It bends nothing of what is known of the tone, and when it stands for longer it is said.
    played.play(1000.0, 5.0, off_db=-35.0 - LEVEL.target_vu)
    assert [round(level.level_db, 1) for level in played.watch.steady() if level is not None] == [0.1] * 4
    assert played.watch.notice == ("1000 Hz at −35 VU is too faint for a tone: is it hum, or a level set too low?")
    played.play(1000.0, 2.0)
    assert played.watch.tone is not None
    assert played.watch.notice == ""


def test_tracks_that_only_hum_keep_no_tone_from_being_known() -> None:
    played = Played()
    played.play(1000.0, 4.0, off_db=(0.0, -40.0, -45.0, -50.0))
    assert played.watch.tone is not None
    assert played.watch.states == ("tone", QUIET, QUIET, QUIET)
    played.play(0.0, 2.0)
    played.play(10_000.0, 3.0, off_db=(0.0, -40.0, -45.0, -50.0))
    assert played.led == [1]


def test_a_faint_tone_of_another_step_is_said_too() -> None:
    played = Played()
    played.play(1000.0, 4.0)
    played.play(0.0, 2.0)
    played.play(10_000.0, 3.0, off_db=-30.0 - LEVEL.target_vu)
    assert played.led == []
    assert played.watch.notice.startswith("10000 Hz at −30 VU is too faint for a tone")
