"""A process that dies while a trimmer is in hand, or before what the hand has left is logged."""

import pytest

from bridge.procedure.commands import Hold, LogNow, NextStep
from bridge.procedure.setup import Place
from tests.procedure.studio import LEVEL, Studio, setup

FOUND_DB = -2.0


def begun(*, takes: bool = True) -> Studio:
    """A studio in which the tone of the first step has played for a while."""
    studio = Studio(setup(), takes=takes)
    studio.deviation_db[1] = FOUND_DB
    studio.play(LEVEL, 6.0)
    return studio


def again(studio: Studio) -> None:
    """The process dies, and the next one hears the tone for a while."""
    studio.crash()
    studio.play(LEVEL, 6.0)


def as_found_next(studio: Studio) -> float:
    """As found of the next trim of track 1."""
    studio.trim(1, 0.3)
    studio.commit()
    return [trim for trim in studio.trims if trim.track == 1][-1].as_found_db


@pytest.mark.parametrize(("rest_s", "state"), [(0.0, "moving"), (2.5, "settled")])
def test_what_was_in_hand_is_missing_and_was_found_as_it_was_before(rest_s: float, state: str) -> None:
    studio = begun()
    studio.turn(1, 0.0)
    studio.play_on(rest_s)
    assert studio.state(1) == state
    assert studio.trims == []
    # While all goes well nobody hears of it.
    assert studio.told == []
    assert studio.calibration.unlogged == ""
    again(studio)
    assert studio.calibration.unlogged == "repro level 1"
    assert studio.missing[1] == (1, 2, 3, 4)
    # What reads right now is not taken for never touched.
    studio.done(NextStep())
    assert [trim.track for trim in studio.trims] == [2, 3, 4]
    assert studio.missing[1] == (1,)
    studio.crash(place=Place(1, 1))
    studio.play(LEVEL, 6.0)
    assert as_found_next(studio) == pytest.approx(FOUND_DB, abs=0.03)
    assert studio.missing.get(1) is None


def test_a_trim_answers_for_what_was_in_hand() -> None:
    studio = begun()
    studio.trim(1)
    assert len(studio.in_hand) == 1
    assert studio.open_in_hand == []
    again(studio)
    assert studio.calibration.unlogged == ""
    assert studio.missing[1] == (2, 3, 4)


def test_the_trim_of_an_earlier_act_does_not_answer_for_the_next_one() -> None:
    studio = begun(takes=False)
    studio.trim(1, -1.0)
    studio.turn(1, 0.0)
    assert len(studio.in_hand) == 2
    # Its commit comes when the next movement has begun.
    studio.commit()
    assert [trim.track for trim in studio.trims] == [1]
    again(studio)
    assert studio.calibration.unlogged == "repro level 1"
    assert as_found_next(studio) == pytest.approx(-1.0, abs=0.03)


def test_two_acts_of_which_neither_reached_the_disk_were_found_as_before_the_first() -> None:
    studio = begun(takes=False)
    studio.trim(1, -1.0)
    studio.turn(1, 0.0)
    again(studio)
    assert as_found_next(studio) == pytest.approx(FOUND_DB, abs=0.03)


def test_the_second_of_two_movements_while_held_is_part_of_the_first() -> None:
    studio = begun()
    studio.done(Hold(True))
    studio.trim(1, -1.0)
    assert studio.told == ["track 1 was turned while held: not logged"]
    assert studio.open_in_hand == []
    studio.turn(1, 0.0)
    assert len(studio.open_in_hand) == 1
    again(studio)
    assert as_found_next(studio) == pytest.approx(FOUND_DB, abs=0.03)


def test_what_a_person_has_logged_in_the_middle_is_logged() -> None:
    studio = begun()
    studio.turn(1, 0.0)
    studio.play_on(2.5)
    studio.done(LogNow(1))
    studio.play_on(1.0)
    again(studio)
    assert studio.calibration.unlogged == ""
    assert studio.missing[1] == (2, 3, 4)


def test_what_is_turned_after_a_person_has_logged_it_was_found_as_that_left_it() -> None:
    studio = begun()
    studio.turn(1, -1.0)
    studio.play_on(2.5)
    studio.done(LogNow(1))
    studio.turn(1, 0.0)
    again(studio)
    assert studio.calibration.unlogged == "repro level 1"
    assert as_found_next(studio) == pytest.approx(-1.0, abs=0.03)


def test_what_goes_on_after_a_person_has_logged_it_and_comes_to_that_leaves_nothing_in_hand() -> None:
    studio = begun()
    studio.turn(1, 0.0)
    studio.play_on(2.5)
    studio.done(LogNow(1))
    studio.turn(1, 0.6)
    assert len(studio.open_in_hand) == 1
    studio.turn(1, 0.0)
    studio.play_on(12.0)
    assert studio.open_in_hand == []
    again(studio)
    assert studio.missing[1] == (2, 3, 4)


def test_what_was_no_movement_leaves_nothing_in_hand() -> None:
    studio = begun()
    for _ in range(8):
        studio.deviation_db[1] = FOUND_DB - 1.5
        studio.play_on(0.15)
        studio.deviation_db[1] = FOUND_DB
        studio.play_on(25.0)
    # Each was told as it was seen, and was none.
    assert studio.in_hand == []
    assert studio.told == []


@pytest.mark.parametrize("is_held", [False, True])
def test_who_stops_the_daemon_leaves_nothing_in_hand(is_held: bool) -> None:
    studio = begun()
    studio.done(Hold(is_held))
    studio.turn(1, 0.0)
    studio.take(studio.calibration.stop())
    assert studio.open_in_hand == []
    assert [turned.track for _, turned in studio.turned] == [1]


def test_who_goes_on_to_the_next_step_leaves_nothing_in_hand() -> None:
    studio = begun()
    studio.turn(1, 0.0)
    studio.play_on(2.5)
    studio.done(NextStep())
    assert studio.open_in_hand == []
    assert [trim.track for trim in studio.trims] == [1, 2, 3, 4]
