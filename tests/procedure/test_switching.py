"""A switch is thrown: all tracks jump at once, each by its own amount. None of that is a trim.

How a path switch looks is common practice, no source: levels are there at once, some switches mute for a moment.
"""

import numpy as np
import pytest

from bridge.procedure.commands import GoToStep
from bridge.procedure.trim_watch import LevelMoved, MoveStarted, Switched, TrimCut
from tests.procedure.hands import Floats, move, recognised, tape, trims, watched
from tests.procedure.studio import HIGH, LEVEL, SYNC, Studio, setup


def thrown(levels: Floats, at_s: float, seed: int, muted_s: float = 0.0) -> Floats:
    """Throw a switch: by how much each track jumps."""
    jumps = np.random.default_rng(seed).uniform(0.4, 2.5, levels.shape[1])
    jumps[::2] *= -1.0
    at = round(at_s * 100)
    levels[at:] += jumps
    levels[at : at + round(muted_s * 100)] = np.nan
    return jumps


@pytest.mark.parametrize("tracks", [2, 4, 8, 24])
@pytest.mark.parametrize("muted_s", [0.0, 0.15])
def test_a_switch_is_no_trim(tracks: int, muted_s: float) -> None:
    for seed in range(5):
        levels = tape(45.0, tracks, 0.03, seed)
        jumps = thrown(levels, 20.03 + 0.02 * seed, seed, muted_s)
        # And a trim afterwards begins at what the other path reads.
        move(levels, 1, 30.0, 31.0, 0.8)
        watch, events = watched(levels)
        events += watch.restart()
        (switched,) = [event for event in events if isinstance(event, Switched)]
        assert 20.0 < switched.told_s < 21.6
        assert [level is not None for level in switched.before] == [True] * tracks
        for level in switched.before:
            assert level is not None
            assert level.level_db == pytest.approx(0.0, abs=0.03)
            assert level.to_s < 20.2
        assert not [event for event in events if isinstance(event, LevelMoved | TrimCut)]
        (trim,) = trims(events)
        assert trim.track == 1
        assert trim.as_found.level_db == pytest.approx(jumps[1], abs=0.04)
        assert trim.as_left.level_db == pytest.approx(jumps[1] + 0.8, abs=0.04)


def test_few_of_the_tracks_seem_to_be_turned_before_it_is_known() -> None:
    levels = tape(25.0, 24, 0.03)
    thrown(levels, 20.0, 1)
    _, events = watched(levels)
    assert len([event for event in events if isinstance(event, MoveStarted)]) <= 2


@pytest.mark.parametrize("left_s", [1.0, 4.0])
def test_what_was_turned_before_a_switch_is_told_as_it_was_left(left_s: float) -> None:
    levels = tape(30.0, 8, 0.02)
    move(levels, 3, 15.0, 16.0, 0.7)
    thrown(levels, 16.0 + left_s, 2)
    (trim,) = recognised(levels)
    assert trim.track == 3
    assert trim.as_found.level_db == pytest.approx(0.0, abs=0.03)
    assert trim.as_left.level_db == pytest.approx(0.7, abs=0.05)


@pytest.mark.parametrize("after_s", [0.5, 0.7, 0.9, 1.1])
def test_whoever_goes_to_the_next_step_at_once_leaves_no_trims(after_s: float) -> None:
    levels = tape(20.0 + after_s, 8, 0.02)
    thrown(levels, 20.0, 3)
    watch, events = watched(levels)
    events += watch.restart()
    assert not [event for event in events if isinstance(event, TrimCut)]
    assert not trims(events)


@pytest.mark.parametrize("after_s", [0.1, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 1.0])
def test_whoever_throws_it_as_soon_as_the_step_is_chosen_leaves_no_trims(after_s: float) -> None:
    watch, _ = watched(tape(20.0, 8, 0.03))
    watch.restart()
    levels = tape(20.0, 8, 0.03, 2)
    thrown(levels, after_s, 4)
    _, events = watched(levels, watch, 2000)
    events += watch.restart()
    assert not trims(events)
    assert not [event for event in events if isinstance(event, TrimCut)]


@pytest.mark.parametrize("tracks", [2, 3, 8, 24])
@pytest.mark.parametrize("by_db", [-1.5, 0.6])
def test_a_playback_level_that_jumps_is_no_switch(tracks: int, by_db: float) -> None:
    levels = tape(30.0, tracks, 0.03)
    levels[2000:] += by_db
    _, events = watched(levels)
    assert not [event for event in events if isinstance(event, Switched)]
    assert [event for event in events if isinstance(event, LevelMoved)]


def test_two_hands_that_turn_fast_throw_no_switch() -> None:
    levels = tape(40.0, 8, 0.02)
    move(levels, 2, 20.0, 20.4, 1.0)
    move(levels, 5, 20.0, 20.4, -1.0)
    assert {trim.track for trim in recognised(levels)} == {2, 5}


def switched(studio: Studio, to_db: tuple[float, ...]) -> None:
    studio.deviation_db.update(zip(studio.deviation_db, to_db, strict=True))


REPRO = (0.05, -0.08, 0.1, 0.0)
OTHER = (-1.2, 0.9, 0.15, -2.0)


def test_a_step_that_is_chosen_before_the_switch_begins_with_what_the_switch_leads_to() -> None:
    studio = Studio(setup((LEVEL, HIGH, SYNC)))
    switched(studio, REPRO)
    studio.play(LEVEL, 8.0)
    studio.done(GoToStep(3))
    studio.play_on(3.0)
    studio.trims.clear()
    switched(studio, OTHER)
    studio.play_on(8.0)
    assert studio.trims == []
    assert [said for said in studio.told if "taken for the switch to sync" in said]
    studio.trim(1, 0.0)
    studio.done(GoToStep(1))
    found = {(trim.track, trim.kind): trim.as_found_db for trim in studio.trims}
    assert found == {
        (1, "trim"): pytest.approx(-1.2, abs=0.04),
        (3, "verified"): pytest.approx(0.15, abs=0.04),
    }


def test_a_switch_before_the_step_is_chosen_leaves_the_step_with_what_was_read_before() -> None:
    studio = Studio(setup((LEVEL, HIGH, SYNC)))
    switched(studio, REPRO)
    studio.play(LEVEL, 15.0)
    switched(studio, OTHER)
    studio.play_on(6.0)
    assert studio.trims == []
    assert "another path? Choose its step" in studio.calibration.notice
    studio.done(GoToStep(3))
    assert {(trim.adjustment, trim.track): trim.as_left_db for trim in studio.trims} == {
        ("repro level", track): pytest.approx(level_db, abs=0.03) for track, level_db in enumerate(REPRO, 1)
    }
    assert studio.calibration.notice == ""


def test_a_switch_soon_after_the_tape_has_led_to_a_step_leads_away_from_it() -> None:
    studio = Studio(setup((LEVEL, HIGH, SYNC)))
    switched(studio, REPRO)
    studio.play(LEVEL, 15.0)
    studio.play(HIGH, 6.0)
    assert studio.step == 2
    studio.trims.clear()
    switched(studio, OTHER)
    studio.play_on(8.0)
    assert "another path? Choose its step" in studio.calibration.notice
    studio.done(GoToStep(3))
    # Verified is what was read before, and none of what the other path reads.
    assert studio.trims
    assert all(trim.as_left_db == pytest.approx(REPRO[trim.track - 1], abs=0.03) for trim in studio.trims)


def test_a_playback_level_that_is_away_is_said_until_it_is_back_and_what_was_turned_meanwhile() -> None:
    studio = Studio(setup((LEVEL, HIGH, SYNC)))
    switched(studio, (0.05, -0.8, 0.1, 0.0))
    studio.play(LEVEL, 15.0)
    studio.playback_db = -1.5
    studio.play_on(20.0)
    assert studio.calibration.notice == "all tracks are 1.5 dB lower than before: put the playback level back first"
    studio.trim(2, 1.5)
    assert [trim.track for trim in studio.trims] == [2]
    studio.playback_db = 0.0
    studio.play_on(5.0)
    assert studio.calibration.notice == ""
    (said,) = [said for said in studio.told if "it is back where it was" in said]
    assert "track 2 was turned meanwhile: look again" in said
