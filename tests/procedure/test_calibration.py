"""What happens to a person at the machine, situation by situation, in the order of common practice (no source)."""

import math
import re
from dataclasses import replace
from itertools import pairwise

import pytest

from bridge.procedure.commands import (
    Finish,
    Focus,
    Follow,
    GoToStep,
    Hold,
    LogNow,
    NextStep,
    PreviousStep,
    Reinstate,
    RepeatStep,
    SelectBank,
    Withdraw,
)
from bridge.procedure.setup import Place
from bridge.procedure.steps import Step
from bridge.procedure.tapes import Tapes
from bridge.tape.calibration_tape import CalibrationTape
from bridge.tape.calibration_tape import Tone as TapeTone
from bridge.tape.equalization import Equalization
from tests.procedure.studio import BIAS, HIGH, LEVEL, SLOW, Studio, setup


def begun(off_db: dict[int, float] | None = None, **more: object) -> Studio:
    """A studio in which the tone of the first step has played for a while."""
    studio = Studio(setup(**more))  # type: ignore[arg-type]
    studio.deviation_db.update(off_db or {})
    studio.play(None, 1.0)
    studio.play(studio.setup.steps[0], 6.0)
    return studio


def test_a_trim_is_logged_as_found_and_as_left() -> None:
    studio = begun({2: -1.0})
    studio.trim(2)
    (trim,) = studio.trims
    assert (trim.track, trim.adjustment, trim.path, trim.origin) == (2, "repro level", "repro", "automatic")
    assert trim.as_found_db == pytest.approx(-1.0, abs=0.02)
    assert trim.as_left_db == pytest.approx(0.0, abs=0.02)
    assert trim.target_vu == LEVEL.target_vu
    # 1 s of silence, 6 s of tone, then the hand, for a second.
    assert trim.started_s == pytest.approx(7.0, abs=0.5)
    assert 7.5 < trim.settled_s < 11.0
    assert trim.settled_ns - trim.started_ns == pytest.approx((trim.settled_s - trim.started_s) * 1e9, abs=2e6)
    assert studio.ways[0][0][1] == pytest.approx(-1.0, abs=0.1)
    # The mean of some seconds is known better than one level of 0.1 s, and not exactly.
    assert trim.kind == "trim"
    assert 0.0 < trim.standard_error_db < trim.spread_db


def test_a_trimmer_that_is_put_back_is_logged_as_undone() -> None:
    studio = begun({2: -1.0})
    studio.turn(2, 0.5)
    studio.turn(2, -1.0)
    studio.play_on(9.0)
    (trim,) = studio.trims
    assert (trim.kind, trim.track) == ("undone", 2)
    assert trim.as_found_db == pytest.approx(trim.as_left_db, abs=0.03)


def test_states_and_focus_follow_the_hand() -> None:
    studio = begun({2: -1.0})
    assert [studio.state(track) for track in (1, 2, 3, 4)] == ["tone"] * 4
    assert studio.frame().focus_track == 0
    studio.turn(2, -0.3)
    assert studio.state(2) in ("moving", "settling")
    assert studio.frame().focus_track == 2
    studio.play_on(9.0)
    assert studio.state(2) == "settled"
    assert studio.frame().focus_track == 2
    studio.play(None, 1.0)
    assert [studio.state(track) for track in (1, 2, 3, 4)] == ["quiet"] * 4


def test_what_was_right_and_never_touched_is_verified_when_the_tape_goes_on() -> None:
    studio = begun({2: -1.0, 3: 0.07})
    studio.trim(2)
    studio.play(None, 4.0)
    studio.play(HIGH, 3.0)
    assert studio.step == 2
    assert [trim.track for trim in studio.trims] == [2, 1, 3, 4]
    for trim in studio.trims[1:]:
        assert (trim.kind, trim.origin) == ("verified", "automatic")
        assert 0.0 < trim.standard_error_db < trim.spread_db
        assert trim.as_found_db == trim.as_left_db == pytest.approx(0.07 if trim.track == 3 else 0.0, abs=0.01)
    assert 1 not in studio.missing
    assert studio.told == []


def test_a_track_outside_tolerance_that_nobody_turned_is_missing_and_said() -> None:
    studio = begun({3: -0.8})
    studio.play(HIGH, 3.0)
    assert studio.missing[1] == (3,)
    (said,) = studio.told
    assert "track 3 reads −0.80 dB and was not seen to be turned" in said
    studio.done(GoToStep(1))
    studio.play(LEVEL, 3.0)
    # What was looked at and left as it is can be said to be so.
    studio.done(LogNow(3))
    assert 1 not in studio.missing
    assert (studio.trims[-1].origin, studio.trims[-1].kind) == ("by hand", "by hand")
    assert math.isnan(studio.trims[-1].standard_error_db)
    assert not studio.trims[-1].within_tolerance


def test_a_dead_track_is_missing_and_said() -> None:
    studio = Studio(setup())
    studio.dead.add(4)
    studio.play(LEVEL, 6.0)
    assert studio.state(4) == "quiet"
    assert "track 4 carries no tone" in studio.refused(LogNow(4))
    studio.play(HIGH, 3.0)
    assert studio.missing[1] == (4,)
    assert any("track 4 carries no tone" in said for said in studio.told)


def test_the_tone_ends_and_comes_back_within_the_step() -> None:
    studio = begun({1: -1.0, 2: 1.0})
    studio.trim(1)
    studio.play(None, 8.0)
    studio.play(LEVEL, 5.0)
    assert studio.step == 1
    studio.trim(2)
    assert studio.summary() == [("repro level", 1, -1.0, 0.0), ("repro level", 2, 1.0, 0.0)]


def test_a_trim_goes_on_after_the_tape_was_rewound() -> None:
    studio = begun({1: -2.0})
    studio.turn(1, -1.0)
    studio.play(None, 6.0)
    studio.play(LEVEL, 1.0)
    studio.turn(1, 0.0)
    studio.play_on(9.0)
    # One trim or two, nothing of the way is missing between them.
    assert studio.summary()[0][2] == -2.0
    assert studio.summary()[-1][3] == 0.0
    for before, after in pairwise(studio.summary()):
        assert before[3] == after[2]


def test_the_tape_leads_on_and_back() -> None:
    studio = begun()
    studio.play(None, 2.0)
    studio.play(HIGH, 2.0)
    assert studio.step == 2
    studio.play(None, 2.0)
    studio.play(LEVEL, 2.0)
    assert studio.step == 1


def test_a_tone_that_fits_no_step_is_said() -> None:
    studio = begun()
    studio.play(Step("repro low", 100.0, 15.0, -1.5, 0.5), 3.0)
    assert studio.step == 1
    assert "no step wants a tone of 100 Hz" in studio.calibration.notice
    assert studio.state(1) == "tone"
    assert "this step wants 1000 Hz" in studio.refused(LogNow(1))
    studio.play(LEVEL, 2.0)
    assert studio.calibration.notice == ""


def test_a_chosen_step_stays_until_another_tone_plays() -> None:
    studio = begun()
    studio.done(GoToStep(3))
    studio.play_on(5.0)
    assert studio.step == 3
    # The tape is rewound: the same tone again changes nothing.
    studio.play(None, 3.0)
    studio.play(LEVEL, 3.0)
    assert studio.step == 3
    studio.done(GoToStep(2))
    assert "1002 Hz plays, but step 2 wants 10000 Hz" in studio.calibration.notice
    studio.play(None, 1.0)
    studio.play(HIGH, 3.0)
    assert studio.step == 2
    assert studio.calibration.notice == ""


def test_steps_are_gone_through_by_hand() -> None:
    studio = begun()
    assert "first step" in studio.refused(PreviousStep())
    studio.done(NextStep())
    studio.done(NextStep())
    assert studio.step == 3
    assert studio.refused(NextStep()).startswith("step 3 is the last: step 2: tracks 1-4; step 3: tracks 1-4 missing")
    assert "the steps are 1 to 3" in studio.refused(GoToStep(9))
    studio.done(PreviousStep())
    assert studio.step == 2


def test_while_held_nothing_happens_unasked() -> None:
    studio = begun({1: -1.0, 2: -1.0})
    studio.done(Hold(on=True))
    assert studio.frame().held
    studio.play_on(3.0)
    studio.turn(1, 0.0)
    assert studio.state(1) in ("moving", "settling")
    studio.play_on(9.0)
    studio.play(None, 1.0)
    studio.play(HIGH, 3.0)
    assert (studio.step, studio.trims) == (1, [])
    assert "10020 Hz plays, but step 1 wants 1000 Hz" in studio.calibration.notice
    studio.play(LEVEL, 3.0)
    studio.done(Hold(on=False))
    studio.play_on(9.0)
    assert studio.trims == []
    assert studio.told == ["track 1 was turned while held: not logged"]
    # It moved, so it is not what it was found at, and cannot be verified.
    studio.play(HIGH, 3.0)
    assert 1 in studio.missing[1]
    studio.play(LEVEL, 3.0)
    studio.done(LogNow(1))
    assert studio.summary()[-1] == ("repro level", 1, -1.0, 0.0)
    assert studio.missing[1] == (2,)


def test_another_tone_is_one_when_it_stands_and_that_of_the_step_at_once() -> None:
    studio = begun()
    assert studio.frame().tone_stands
    studio.play(None, 1.0)
    assert not studio.frame().tone_stands
    # The step's own is one from its first moment on, also before it is known to stand.
    studio.play(LEVEL, 0.1)
    assert (studio.frame().tone_stands, studio.state(1)) == (False, "tone")
    studio.play_on(2.0)
    assert studio.frame().tone_stands
    # An octave in 3 s, as a sweep for people has it: never a tone, whatever stood before.
    tone_hz = studio.hz
    for update in range(300):
        studio.hz = 1.1 * tone_hz * 2.0 ** (update / 300.0)
        studio.update()
        seen = studio.frame()
        assert (seen.tone_hz, seen.tone_stands) == (studio.hz, False)
        assert {one.state for one in seen.readings} == {"quiet"}
    # Where it stays it is another tone, within a second.
    studio.play_on(1.0)
    assert studio.frame().tone_stands
    assert {one.state for one in studio.frame().readings} == {"tone"}


def test_while_following_is_off_the_step_stays_and_all_else_goes_on() -> None:
    studio = begun({1: -1.0, 2: -1.0})
    studio.done(Follow(on=False))
    assert not studio.frame().follows
    assert not studio.frame().held
    # A trim logs itself as before.
    studio.trim(1)
    assert studio.summary() == [("repro level", 1, -1.0, 0.0)]
    studio.play(HIGH, 3.0)
    assert studio.step == 1
    assert studio.calibration.notice == "10020 Hz plays: step 2, repro high; following is off"
    assert studio.frame().readings[0].state == "tone"
    # What the hand does to another tone is no trim of the step.
    studio.turn(2, 0.0)
    studio.play_on(9.0)
    assert len(studio.trims) == 1
    # The person goes where the person wants, and what was right is verified on leaving.
    studio.done(NextStep())
    assert studio.step == 2
    assert studio.calibration.notice == ""
    studio.play(LEVEL, 3.0)
    assert studio.step == 2
    studio.done(Follow(on=True))
    studio.play_on(0.1)
    assert studio.frame().follows
    assert studio.step == 1
    studio.play(HIGH, 3.0)
    assert studio.step == 2


def test_following_stays_off_through_finish_and_a_lost_source_and_is_on_after_a_new_start() -> None:
    studio = begun({})
    studio.done(Follow(on=False))
    studio.lost(5.0)
    studio.done(Finish())
    studio.play(HIGH, 3.0)
    assert (studio.step, studio.frame().follows) == (1, False)
    studio.done(Hold(on=True))
    studio.done(Hold(on=False))
    assert not studio.frame().follows
    # As with Hold: whoever starts the program anew has the tape followed.
    studio.crash()
    assert studio.frame().follows
    studio.play(HIGH, 3.0)
    assert studio.step == 2


def test_without_steps_following_can_be_switched_too() -> None:
    studio = Studio(setup(()))
    studio.done(Follow(on=False))
    assert not studio.frame().follows
    studio.done(Follow(on=True))
    assert studio.frame().follows


def test_what_was_left_before_the_hold_is_logged() -> None:
    studio = begun({1: -1.0})
    studio.turn(1, 0.0)
    studio.play_on(4.0)
    assert studio.trims == []
    studio.done(Hold(on=True))
    assert studio.summary() == [("repro level", 1, -1.0, 0.0)]


def test_a_hand_that_turns_at_once_when_hold_is_pressed_or_released_is_seen() -> None:
    studio = begun({1: -2.0})
    studio.done(Hold(on=True))
    studio.turn(1, -1.0)
    assert studio.state(1) in ("moving", "settling")
    assert studio.frame().focus_track == 1
    studio.play_on(9.0)
    assert studio.told == ["track 1 was turned while held: not logged"]
    studio.done(Hold(on=False))
    studio.trim(1)
    assert studio.summary() == [("repro level", 1, -2.0, 0.0)]


def test_what_is_in_hand_when_hold_is_released_is_logged_when_it_is_left() -> None:
    studio = begun({1: -2.0})
    studio.done(Hold(on=True))
    studio.turn(1, -1.0)
    studio.done(Hold(on=False))
    studio.turn(1, 0.0)
    studio.play_on(9.0)
    assert studio.told == []
    assert studio.summary() == [("repro level", 1, -2.0, 0.0)]


def test_a_hand_that_holds_in_mid_turn_is_not_logged_and_the_next_trim_begins_where_it_began() -> None:
    studio = begun({1: -2.0})
    studio.turn(1, -1.0)
    studio.done(Hold(on=True))
    assert studio.told == []
    studio.play_on(3.0)
    studio.done(Hold(on=False))
    assert studio.told == ["track 1 was turned while held: not logged"]
    studio.play_on(6.0)
    studio.trim(1)
    assert studio.summary() == [("repro level", 1, -2.0, 0.0)]


def test_another_bank_goes_on_in_the_same_step() -> None:
    studio = begun({1: -1.0, 6: 1.0}, banks=2)
    studio.trim(1)
    studio.done(SelectBank(2))
    assert [trim.track for trim in studio.trims] == [1, 2, 3, 4]
    assert studio.step == 1
    studio.play_on(6.0)
    assert [reading.track for reading in studio.frame().readings] == [5, 6, 7, 8]
    assert "bank 2 has tracks 5 to 8" in studio.refused(LogNow(1))
    studio.trim(6)
    assert studio.missing[1] == (5, 7, 8)
    studio.play(HIGH, 3.0)
    assert studio.step == 2
    assert 1 not in studio.missing
    assert studio.missing[2] == tuple(range(1, 9))
    assert "the banks are 1 to 2" in studio.refused(SelectBank(3))
    assert len({(trim.adjustment, trim.track) for trim in studio.trims}) == len(studio.trims) == 8


def test_a_withdrawn_trim_counts_no_more() -> None:
    studio = begun({1: -1.0})
    studio.trim(1)
    studio.trim(1, 0.5)
    progress = studio.calibration.progress
    assert [round(trim.as_left_db, 1) for trim in progress.standing(LEVEL, 1)] == [0.0, 0.5]
    studio.done(Withdraw("T2"))
    found_and_left = progress.found_and_left(LEVEL, 1)
    assert found_and_left is not None
    assert round(found_and_left[1].as_left_db, 1) == 0.0
    assert 1 not in studio.missing[1]
    # Without an id it is the newest that stands.
    studio.done(Withdraw(""))
    assert 1 in studio.missing[1]
    assert "no trim stands" in studio.refused(Withdraw(""))
    # By hand the whole way counts, as nothing of it stands any more.
    studio.done(LogNow(1))
    assert studio.summary()[-1] == ("repro level", 1, -1.0, 0.5)


def test_a_trim_that_is_reinstated_counts_again() -> None:
    studio = begun({1: -1.0})
    studio.trim(1)
    studio.done(Withdraw("T1"))
    assert 1 in studio.missing[1]
    studio.done(Reinstate("T1"))
    assert 1 not in studio.missing[1]
    # What comes next begins where that one ended.
    studio.done(LogNow(1))
    assert studio.summary()[-1] == ("repro level", 1, 0.0, 0.0)


def test_a_repeated_step_is_found_and_verified_anew() -> None:
    studio = begun({1: -1.0})
    studio.trim(1)
    studio.done(RepeatStep())
    assert len(studio.trims) == 4
    assert 1 not in studio.missing
    studio.play_on(5.0)
    studio.done(LogNow(1))
    assert studio.summary()[-1] == ("repro level", 1, 0.0, 0.0)
    studio.play(HIGH, 3.0)
    # Every track has been checked again: three by themselves, one by hand.
    assert len(studio.trims) == 8
    found_and_left = studio.calibration.progress.found_and_left(LEVEL, 1)
    assert found_and_left is not None
    assert round(found_and_left[0].as_found_db, 1) == -1.0


def test_a_step_that_is_only_looked_at_again_is_not_verified_twice() -> None:
    studio = begun()
    studio.play(HIGH, 4.0)
    studio.play(LEVEL, 4.0)
    studio.play(HIGH, 2.0)
    assert [(trim.adjustment, trim.track) for trim in studio.trims] == [
        *(("repro level", track) for track in (1, 2, 3, 4)),
        *(("repro high", track) for track in (1, 2, 3, 4)),
    ]


def test_a_track_that_is_right_no_more_is_said() -> None:
    studio = begun()
    studio.play(HIGH, 4.0)
    # The high trimmer moves the level a little, too.
    studio.deviation_db[2] = -0.5
    studio.play(LEVEL, 4.0)
    studio.play(HIGH, 2.0)
    assert any("track 2 reads −0.50 dB now and was left at" in said for said in studio.told)


def test_what_was_turned_while_no_tone_played_is_said() -> None:
    studio = begun({2: -1.0})
    studio.trim(2)
    studio.play(None, 4.0)
    studio.deviation_db[2] = 0.8
    studio.play(LEVEL, 5.0)
    studio.play(HIGH, 3.0)
    assert [trim.track for trim in studio.trims] == [2, 1, 3, 4]
    assert any("track 2 reads +0.80 dB now and was left at" in said for said in studio.told)


def test_what_was_left_outside_and_is_another_now_is_said() -> None:
    studio = begun({2: -2.0})
    studio.trim(2, -0.8)
    studio.play(None, 4.0)
    studio.deviation_db[2] = 0.0
    studio.play(LEVEL, 5.0)
    studio.play(HIGH, 3.0)
    (trim,) = [trim for trim in studio.trims if trim.track == 2]
    assert trim.as_left_db == pytest.approx(-0.8, abs=0.02)
    assert any(re.search(r"track 2 reads [+−]0\.0\d dB now and was left at −0\.8\d? dB", said) for said in studio.told)


@pytest.mark.parametrize("wait_s", [0.0, 0.3, 1.0, 3.0])
def test_what_is_logged_by_hand_is_not_logged_again(wait_s: float) -> None:
    studio = begun({1: -1.0})
    studio.turn(1, 0.0)
    studio.play_on(0.6 + wait_s)
    studio.done(LogNow(1))
    studio.play_on(9.0)
    assert studio.summary() == [("repro level", 1, -1.0, 0.0)]
    assert studio.trims[0].origin == "by hand"


def test_a_trim_that_goes_on_after_it_was_logged_by_hand_begins_there() -> None:
    studio = begun({1: -2.0})
    studio.turn(1, -1.0)
    studio.play_on(0.6)
    studio.done(LogNow(1))
    studio.turn(1, 0.0)
    studio.play_on(9.0)
    assert studio.summary() == [("repro level", 1, -2.0, -1.0), ("repro level", 1, -1.0, 0.0)]


def test_by_hand_again_and_again_begins_where_the_last_has_left() -> None:
    studio = begun({1: -1.0})
    studio.done(LogNow(1))
    studio.done(Hold(on=True))
    studio.turn(1, 0.0)
    studio.play_on(2.0)
    studio.done(LogNow(1))
    assert studio.summary() == [("repro level", 1, -1.0, -1.0), ("repro level", 1, -1.0, 0.0)]


def test_the_source_goes_away_and_comes_back_within_the_step() -> None:
    studio = begun({1: -1.0, 2: 1.0})
    studio.trim(1)
    before_s = studio.trims[0].settled_s
    studio.lost(20.0)
    assert studio.state(1) == "quiet"
    assert studio.frame().focus_track == 0
    studio.play_on(6.0)
    assert studio.step == 1
    studio.trim(2)
    assert studio.summary() == [("repro level", 1, -1.0, 0.0), ("repro level", 2, 1.0, 0.0)]
    assert studio.trims[1].started_s > before_s + 20.0
    studio.play(HIGH, 2.0)
    assert 1 not in studio.missing


def test_what_is_turned_while_the_source_is_away_is_not_verified() -> None:
    studio = begun({1: -1.0})
    studio.calibration.source_lost()
    studio.deviation_db[1] = 0.0
    studio.lost(5.0)
    studio.play_on(6.0)
    studio.play(HIGH, 2.0)
    assert studio.missing[1] == (1,)
    assert any("track 1 has changed by +1.00 dB unseen" in said for said in studio.told)
    studio.play(LEVEL, 3.0)
    studio.done(LogNow(1))
    assert 1 not in studio.missing


def test_a_crash_loses_nothing_that_was_logged() -> None:
    studio = begun({1: -1.0, 2: 1.0}, banks=2)
    studio.trim(1)
    studio.done(SelectBank(2))
    studio.crash()
    assert studio.calibration.place == Place(1, 2)
    assert studio.missing[1] == (2, 5, 6, 7, 8)
    studio.play(LEVEL, 6.0)
    studio.done(SelectBank(1))
    studio.play(LEVEL, 6.0)
    studio.trim(2)
    # Nothing is logged again.
    assert [trim.track for trim in studio.trims].count(1) == 1
    studio.done(Withdraw("T1"))
    assert studio.missing[1] == (1,)


def test_the_last_step_is_left_when_the_daemon_stops() -> None:
    studio = begun({1: -1.0})
    studio.turn(1, 0.0)
    studio.play_on(4.0)
    studio.take(studio.calibration.stop())
    assert [trim.track for trim in studio.trims] == [1, 2, 3, 4]
    assert 1 not in studio.missing


@pytest.mark.parametrize("rest_s", [0.0, 0.4, 0.8])
def test_a_trimmer_that_rests_in_the_hand_when_the_daemon_stops_is_not_left_there(rest_s: float) -> None:
    studio = begun({1: -2.0})
    studio.turn(1, -0.9)
    studio.play_on(rest_s)
    studio.take(studio.calibration.stop())
    assert [trim.track for trim in studio.trims] == [2, 3, 4]
    assert "track 1 was still being turned: not logged" in studio.told
    assert studio.missing[1] == (1,)


@pytest.mark.parametrize("wait_s", [0.0, 0.2, 0.4, 4.0])
def test_what_was_turned_while_held_is_still_not_logged_after_a_crash(wait_s: float) -> None:
    studio = begun({1: -2.0})
    studio.done(Hold(True))
    studio.play_on(wait_s)
    studio.trim(1, -0.9)
    studio.done(Hold(False))
    studio.crash()
    assert studio.missing[1] == (1, 2, 3, 4)
    studio.play(LEVEL, 6.0)
    studio.trim(1)
    studio.done(NextStep())
    assert [(trim.kind, trim.track) for trim in studio.trims] == [
        ("trim", 1), ("verified", 2), ("verified", 3), ("verified", 4),
    ]  # fmt: skip
    assert studio.trims[0].as_found_db == pytest.approx(-2.0, abs=0.02)
    assert studio.trims[0].as_left_db == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("wait_s", [0.0, 0.3])
def test_a_hand_that_moves_as_soon_as_it_goes_on_is_logged_from_what_was_found(wait_s: float) -> None:
    studio = begun({1: -2.0})
    studio.done(Hold(True))
    studio.play_on(4.0)
    studio.done(Hold(False))
    studio.play_on(wait_s)
    studio.trim(1)
    assert studio.trims[0].as_found_db == pytest.approx(-2.0, abs=0.04)


def test_another_tone_than_the_step_wants_has_no_deviation() -> None:
    studio = begun({1: 0.02})
    assert studio.frame().readings[0].fine_db == pytest.approx(0.02, abs=0.02)
    studio.done(NextStep())
    studio.play_on(4.0)
    frame = studio.frame()
    assert frame.tone_hz == pytest.approx(LEVEL.tone_hz, rel=0.01)
    assert frame.step.tone_hz == HIGH.tone_hz
    for reading in frame.readings:
        assert math.isnan(reading.fine_db)
        assert math.isnan(reading.deviation_db)
        assert math.isfinite(reading.vu)


def test_what_is_logged_by_hand_while_held_is_logged() -> None:
    studio = begun({1: -2.0})
    studio.done(Hold(True))
    studio.play_on(4.0)
    studio.turn(1, 0.0)
    studio.play_on(1.5)
    studio.done(LogNow(1))
    studio.play_on(15.0)
    studio.done(Hold(False))
    assert [(trim.kind, trim.track) for trim in studio.trims] == [("by hand", 1)]
    assert studio.told == []
    assert studio.missing[1] == (2, 3, 4)
    # What the hand turns after that begins at what was logged.
    studio.done(Hold(True))
    studio.trim(1, 0.5)
    studio.done(LogNow(1))
    assert studio.trims[-1].as_found_db == pytest.approx(0.0, abs=0.04)
    assert studio.trims[-1].as_left_db == pytest.approx(0.5, abs=0.04)


def test_what_the_disk_refused_is_missing_after_a_crash_too() -> None:
    studio = Studio(setup(), takes=False)
    studio.deviation_db[1] = -2.0
    studio.play(LEVEL, 6.0)
    studio.trim(1, -0.5)
    studio.refuse()
    studio.crash()
    assert studio.missing[1] == (1, 2, 3, 4)
    studio.play(LEVEL, 6.0)
    studio.trim(1)
    studio.commit()
    assert [trim.as_found_db for trim in studio.trims] == [pytest.approx(-2.0, abs=0.02)]


def test_what_was_found_before_a_crash_keeps_its_moment() -> None:
    studio = begun({1: -2.0})
    studio.done(Hold(True))
    studio.play_on(4.0)
    studio.trim(1, 0.0)
    ((_, turned),) = studio.turned
    studio.crash()
    studio.play(LEVEL, 6.0)
    studio.done(LogNow(1))
    assert studio.trims[0].as_found_db == pytest.approx(-2.0, abs=0.02)
    assert studio.trims[0].started_ns == turned.at_ns


def test_a_track_turned_while_held_is_not_verified_after_a_crash() -> None:
    studio = begun({1: -2.0})
    studio.done(Hold(True))
    studio.trim(1, 0.0)
    studio.crash()
    studio.play(LEVEL, 6.0)
    studio.done(NextStep())
    assert [trim.track for trim in studio.trims] == [2, 3, 4]
    assert studio.missing[1] == (1,)


def test_a_trimmer_that_rests_when_the_recording_ends_was_left_there() -> None:
    studio = begun({1: -2.0})
    studio.turn(1, -0.9)
    studio.play_on(0.8)
    studio.take(studio.calibration.recording_ended())
    (trim,) = [trim for trim in studio.trims if trim.track == 1]
    assert trim.as_left_db == pytest.approx(-0.9, abs=0.02)


def test_a_finished_calibration_is_followed_by_an_empty_one_with_the_same_bank() -> None:
    studio = begun(banks=2)
    studio.done(SelectBank(2))
    studio.play_on(6.0)
    studio.done(NextStep())
    studio.done(Finish())
    assert len(studio.trims) == 8
    assert studio.calibration.place == Place(1, 2)
    assert studio.missing[1] == tuple(range(1, 9))
    studio.play_on(6.0)
    studio.play(HIGH, 2.0)
    assert studio.missing[1] == (1, 2, 3, 4)


def test_two_speeds_are_two_rounds() -> None:
    slow_high = Step("repro high", 5000.0, 7.5, -1.0, 0.4)
    studio = begun(steps=(LEVEL, HIGH, SLOW, slow_high))
    studio.play(SLOW, 3.0)
    # The tape may be played at another speed, or this is another tone of it: the person knows.
    assert studio.step == 1
    assert '501 Hz is wanted by "repro level" at 7.5 in/s' in studio.calibration.notice
    studio.done(GoToStep(3))
    studio.play_on(6.0)
    studio.play(slow_high, 3.0)
    assert studio.step == 4
    assert {trim.speed_ips for trim in studio.trims} == {15.0, 7.5}
    assert 3 not in studio.missing


def test_at_another_speed_it_is_said_what_has_to_be_done_by_hand() -> None:
    slow_bias = Step("bias", 5000.0, 7.5, -10.0, 0.5)
    studio = begun(steps=(LEVEL, HIGH, SLOW, BIAS, slow_bias))
    studio.done(GoToStep(2))
    assert not [text for text in studio.told if "now" in text]
    studio.done(NextStep())
    assert studio.told[-1] == "7.5 in/s now: set speed and equalization; keep every track safe"
    studio.done(GoToStep(4))
    assert studio.told[-1] == "15 in/s now: set speed and equalization; no calibration tape on the machine"
    studio.done(GoToStep(5))
    assert studio.told[-1] == "7.5 in/s now: set speed and equalization; no calibration tape on the machine"


def test_with_a_tape_for_each_speed_it_is_said_that_it_changes() -> None:
    slow = CalibrationTape(250.0, 7.5, Equalization.named("iec1", 7.5), (TapeTone(500),))
    house = CalibrationTape(250.0, 15, Equalization.named("iec1", 15), (TapeTone(1000), TapeTone(10_000)))
    tapes = Tapes(((house, 15.0), (slow, 7.5)), (15.0, 7.5))
    studio = Studio(replace(setup((LEVEL, SLOW, BIAS)), tapes=tapes))
    changed = "change the calibration tape, set speed and equalization; keep every track safe"
    studio.done(GoToStep(2))
    assert studio.told[-1] == f"7.5 in/s now: {changed}"
    studio.done(GoToStep(3))
    studio.done(GoToStep(2))
    assert studio.told[-1] == (
        "make every track safe first; 7.5 in/s now: take the recorded tape off, set speed and equalization, then thread"
        " the calibration tape"
    )


def test_from_the_record_side_back_to_a_calibration_tape_every_track_is_made_safe_first() -> None:
    house = CalibrationTape(250.0, 15, Equalization.named("iec1", 15), (TapeTone(1000), TapeTone(10_000)), name="House")
    sync = Step("sync level", 1000.0, 15.0, 0.0, 0.2)
    studio = Studio(replace(setup((LEVEL, HIGH, sync, BIAS)), tapes=Tapes(((house, 15.0),), (15.0,))))
    studio.done(GoToStep(4))
    assert studio.told == []
    studio.play(BIAS, 2.0)
    studio.done(GoToStep(1))
    wanted = 'make every track safe first, take the recorded tape off, then thread the calibration tape "House"'
    assert studio.told[-1] == studio.calibration.change == wanted
    # It stands until the tape is heard, whatever is chosen meanwhile.
    studio.done(GoToStep(3))
    assert studio.calibration.change == wanted.replace("off,", "off, switch to sync,")
    studio.done(GoToStep(1))
    studio.play(None, 2.0)
    assert studio.calibration.change == wanted
    studio.play(LEVEL, 3.0)
    assert studio.calibration.change == ""


def test_with_another_tape_for_the_same_speed_it_is_said_that_it_changes() -> None:
    curve = Equalization.named("iec1", 15)
    house = CalibrationTape(250.0, 15, curve, (TapeTone(1000),), name="House")
    tones = CalibrationTape(250.0, 15, curve, (TapeTone(10_000),), name="Tones apart")
    studio = Studio(replace(setup((LEVEL, HIGH)), tapes=Tapes(((house, 15.0), (tones, 15.0)), (15.0,))))
    studio.done(GoToStep(2))
    assert studio.told[-1] == 'change to the tape "Tones apart"; keep every track safe'


def test_what_changes_with_the_speed_is_said_until_the_tone_of_the_step_is_heard() -> None:
    curve = Equalization.named("iec1", 7.5)
    slow = CalibrationTape(250.0, 7.5, curve, (TapeTone(500), TapeTone(1000)), name="Pier, slow")
    house = CalibrationTape(250.0, 15, Equalization.named("iec1", 15), (TapeTone(1000), TapeTone(10_000)), name="House")
    sync, repro = Step("sync level", 1000.0, 15.0, 0.0, 0.2), Step("repro level", 1000.0, 7.5, -3.0, 0.2)
    low = Step("repro low", 500.0, 7.5, -3.0, 0.5)
    tapes = Tapes(((house, 15.0), (slow, 7.5)), (15.0, 7.5))
    studio = Studio(replace(setup((LEVEL, sync, repro, low)), tapes=tapes))
    studio.done(GoToStep(2))
    studio.play(sync, 3.0)
    assert studio.calibration.change == ""
    studio.done(GoToStep(3))
    wanted = (
        '7.5 in/s now: change to the tape "Pier, slow", set speed and equalization, switch to repro; '
        "keep every track safe"
    )
    assert studio.told[-1] == studio.calibration.change == wanted
    # The tone that plays on is still that of the other tape, though it has the frequency of this one's.
    studio.play_on(20.0)
    assert studio.calibration.change == wanted
    # Another step of that speed wants the same of the hands.
    studio.done(GoToStep(4))
    assert studio.calibration.change.startswith('7.5 in/s now: change to the tape "Pier, slow"')
    studio.done(GoToStep(3))
    studio.play(None, 2.0)
    assert studio.calibration.change == wanted
    studio.play(repro, 3.0)
    assert studio.calibration.change == ""
    # Back at the other speed it is the other way round.
    studio.done(GoToStep(1))
    assert studio.calibration.change == (
        '15 in/s now: change to the tape "House", set speed and equalization; keep every track safe'
    )


def test_the_calibration_after_a_finished_one_says_what_has_to_be_changed_for_its_first_step() -> None:
    slow = CalibrationTape(250.0, 7.5, Equalization.named("iec1", 7.5), (TapeTone(1000),), name="Pier, slow")
    house = CalibrationTape(250.0, 15, Equalization.named("iec1", 15), (TapeTone(1000),), name="House")
    at_slow = Step("repro level", 1000.0, 7.5, -3.0, 0.2)
    tapes = Tapes(((house, 15.0), (slow, 7.5)), (15.0, 7.5))
    studio = Studio(replace(setup((LEVEL, at_slow, BIAS)), tapes=tapes))
    studio.done(GoToStep(2))
    studio.play(at_slow, 3.0)
    studio.done(Finish())
    wanted = '15 in/s now: change to the tape "House", set speed and equalization; keep every track safe'
    assert (studio.calibration.place.step, studio.told[-1], studio.calibration.change) == (1, wanted, wanted)
    # The tone that still plays is that of the other tape.
    studio.play_on(20.0)
    assert studio.calibration.change == wanted
    studio.play(None, 2.0)
    studio.play(LEVEL, 3.0)
    assert studio.calibration.change == ""
    # From the record side the first thing is that nothing erases the tape.
    studio.done(GoToStep(3))
    studio.play(BIAS, 3.0)
    studio.done(Finish())
    assert studio.calibration.change == (
        'make every track safe first, take the recorded tape off, then thread the calibration tape "House"'
    )
    assert studio.calibration.progress.count == 0


def test_what_is_heard_while_a_finish_waits_for_the_disk_is_no_trim_of_the_next_calibration() -> None:
    loud = replace(LEVEL, adjustment="record level", target_vu=LEVEL.target_vu - 1.5)
    for seconds in (0.6, 1.0, 2.0):
        studio = Studio(setup((LEVEL, loud)))
        studio.done(GoToStep(2))
        studio.play(loud, 8.0)
        *before, _ = studio.calibration.handle(Finish())
        studio.take(before)
        studio.play_on(seconds)
        studio.take(studio.calibration.begin_another())
        told = len(studio.told)
        studio.play_on(12.0)
        assert studio.calibration.progress.count == 0
        assert not [said for said in studio.told[told:] if "playback" in said]


def test_a_trimmer_for_recording_may_begin_at_its_end() -> None:
    studio = Studio(setup((BIAS,)))
    for track in studio.deviation_db:
        studio.deviation_db[track] = -30.0
    studio.play(BIAS, 6.0)
    studio.turn(1, 0.0, 3.0)
    studio.turn(1, -3.0, 1.5)
    studio.play_on(12.0)
    studio.done(Finish())
    # Over the peak, which is the target, and 3 dB below it.
    (trim,) = studio.trims
    assert (trim.track, round(trim.as_found_db), round(trim.as_left_db)) == (1, -30, -3)


def test_a_tape_at_a_wrong_speed_is_said_and_nothing_follows_it() -> None:
    slow = CalibrationTape(250.0, 7.5, Equalization.named("iec1", 7.5), (TapeTone(1000), TapeTone(10_000)))
    house = CalibrationTape(250.0, 15, Equalization.named("iec1", 15), (TapeTone(1000), TapeTone(10_000)))
    tapes = Tapes(((house, 15.0), (slow, 7.5)), (15.0, 7.5))
    studio = Studio(replace(setup((LEVEL, HIGH, replace(LEVEL, speed_ips=7.5))), tapes=tapes))
    studio.play(LEVEL, 3.0)
    studio.play(Step("repro level", 2000.0, 15.0, -1.5, 0.2), 3.0)
    said = "2004 Hz may be 1000 Hz of a tape for 7.5 in/s at 15 in/s: look at the speed and at the tape"
    assert studio.calibration.notice == said
    assert studio.step == 1


def test_what_is_missing_or_not_logged_is_named_with_its_speed() -> None:
    same_at_7 = replace(LEVEL, speed_ips=7.5)
    studio = begun(steps=(LEVEL, same_at_7))
    assert [str(one) for one in studio.calibration.missing()] == [
        "step 1, 15 in/s: tracks 1-4",
        "step 2, 7.5 in/s: tracks 1-4",
    ]
    studio.done(Hold(True))
    studio.turn(2, 1.0)
    studio.play_on(9.0)
    studio.done(Hold(False))
    assert studio.calibration.unlogged == "repro level 2, 15 in/s"


def test_a_trim_at_one_speed_is_none_at_the_other() -> None:
    studio = begun({1: 0.8}, steps=(LEVEL, HIGH, replace(LEVEL, speed_ips=30.0), replace(HIGH, speed_ips=30.0)))
    studio.trim(1)
    assert studio.missing == {1: (2, 3, 4), 2: (1, 2, 3, 4), 3: (1, 2, 3, 4), 4: (1, 2, 3, 4)}
    studio.play(HIGH, 3.0)
    assert studio.step == 2
    studio.play(LEVEL, 3.0)
    assert studio.step == 1
    studio.done(GoToStep(3))
    studio.play_on(3.0)
    assert studio.step == 3
    assert 1 in studio.missing[3]


def test_bias_is_logged_below_its_peak_and_never_judged() -> None:
    studio = begun({1: -2.0}, steps=(BIAS, HIGH))
    studio.turn(1, 1.5, 2.0)
    studio.turn(1, -1.5, 2.0)
    studio.play_on(9.0)
    (trim,) = studio.trims
    assert trim.as_left_db == pytest.approx(-3.0, abs=0.1)
    assert trim.as_found_db == pytest.approx(-3.5, abs=0.1)
    assert trim.target_vu == pytest.approx(BIAS.target_vu + 1.5, abs=0.1)
    assert trim.within_tolerance is None
    assert max(level_db for _, level_db in studio.ways[0]) == pytest.approx(0.0, abs=0.1)
    # A small correction later counts from the same peak.
    studio.trim(1, -1.0)
    assert studio.trims[1].as_left_db == pytest.approx(-2.5, abs=0.1)
    # What nobody turned is not taken for right.
    studio.done(NextStep())
    assert studio.missing[1] == (2, 3, 4)
    assert len(studio.trims) == 2


def test_the_playback_level_is_no_trim() -> None:
    studio = begun({1: -1.0})
    for _ in range(100):
        studio.playback_db += 0.02
        studio.update()
    studio.play_on(5.0)
    for _ in range(100):
        studio.playback_db -= 0.02
        studio.update()
    studio.play_on(8.0)
    assert studio.trims == []
    assert studio.told
    assert all("the playback level, not a trim" in said for said in studio.told)
    studio.trim(1)
    studio.play(HIGH, 2.0)
    assert 1 not in studio.missing


def test_the_focus_can_be_kept_on_a_track() -> None:
    studio = begun({1: -1.0}, banks=2)
    assert "track 7 is not patched" in studio.refused(Focus(7))
    studio.done(Focus(3))
    studio.trim(1)
    assert studio.frame().focus_track == 3
    studio.done(Focus(0))
    assert studio.frame().focus_track == 1
    studio.done(Focus(3))
    studio.done(SelectBank(2))
    assert studio.frame().focus_track == 0


def test_what_the_disk_refuses_is_missing_until_it_is_logged() -> None:
    studio = Studio(setup(), takes=False)
    studio.deviation_db[1] = -1.0
    studio.play(LEVEL, 6.0)
    studio.trim(1)
    assert 1 not in studio.missing[1]
    studio.refuse()
    assert 1 in studio.missing[1]
    studio.trim(1, 0.1)
    studio.commit()
    assert studio.summary() == [("repro level", 1, -1.0, 0.1)]
    assert 1 not in studio.missing[1]


def test_frames_tell_what_is_missing() -> None:
    studio = begun({2: -1.0}, banks=2)
    studio.trim(2)
    frame = studio.frame()
    assert (frame.step.complete, frame.step.missing, frame.step.missing_text) == (1, 7, "1, 3-8")
    assert frame.missing == 3 * 8 - 1


def test_without_steps_everything_is_still_shown() -> None:
    studio = Studio(setup(steps=(), banks=2))
    studio.play(LEVEL, 3.0)
    assert studio.state(1) == "tone"
    for command in (NextStep(), PreviousStep(), RepeatStep(), GoToStep(1), LogNow(1)):
        assert "there are no steps" in studio.refused(command)
    studio.done(SelectBank(2))
    studio.done(Hold(on=True))
    assert studio.frame().held
    studio.done(Hold(on=False))
    studio.done(Finish())
    assert math.isnan(studio.frame().readings[0].fine_db)
