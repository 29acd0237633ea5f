"""Pots, play and panel; and the electronics that they are part of."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.simulation.channels import ALIGNED_HZ, Channels
from bridge.simulation.condition import Condition
from bridge.simulation.levels import render_levels
from bridge.simulation.trimmers import (
    KINDS,
    PATHS,
    Panel,
    high_angle,
    high_db,
    level_angle,
    level_db,
    low_angle,
    low_db,
    split,
    with_play,
)
from tests.simulation.machines import PERFECT, with_tone

ANGLE = st.floats(0.0, 1.0)
ANGLES = st.lists(ANGLE, min_size=1, max_size=60).map(np.array)
LAWS = [
    (level_db, level_angle, ()),
    (high_db, high_angle, (10_000.0, 35.0)),
    (high_db, high_angle, (1000.0, 70.0)),
    (high_db, high_angle, (20_000.0, 0.0)),
    (low_db, low_angle, (100.0,)),
    (low_db, low_angle, (31.5,)),
]


@pytest.mark.parametrize(("law", "inverse", "more"), LAWS)
@given(angles=st.lists(ANGLE, min_size=2, max_size=2).map(sorted))
def test_a_law_rises_and_has_an_inverse(law, inverse, more, angles) -> None:  # type: ignore[no-untyped-def]
    low, high = law(np.array(angles), *more)
    assert low <= high
    assert inverse(law(np.array(angles), *more), *more) == pytest.approx(angles, abs=1e-6)


def test_the_level_law_is_not_straight() -> None:
    steepness_db = np.diff(level_db(np.array([0.0, 0.01, 0.99, 1.0])))[[0, 2]] / 0.01
    assert steepness_db[0] > 5.0 * steepness_db[1]
    assert level_db(np.array([0.35]))[0] == pytest.approx(0.0)


def test_the_high_trimmer_is_a_time_constant() -> None:
    # Fourfold 17.5 us is 70 us: 20 lg of the equalizers' gains at 10 kHz, -N(f) from the formula of IEC 60094-1:1981,
    # clause 15: 13.084 and 3.442 dB.
    assert high_db(np.array([1.0]), 10_000.0, 17.5)[0] == pytest.approx(13.084 - 3.442, abs=0.001)
    assert high_db(np.array([0.5]), 10_000.0, 17.5)[0] == pytest.approx(0.0)
    # The same at 1 kHz, 0.768 - 0.052: small, and not nothing.
    assert high_db(np.array([1.0]), 1000.0, 17.5)[0] == pytest.approx(0.768 - 0.052, abs=0.001)


@given(shaft=ANGLES, start=ANGLE, backlash=st.floats(0.0, 0.1))
def test_the_wiper_stays_within_the_play_and_moves_no_more_than_it_must(
    shaft: np.ndarray, start: float, backlash: float
) -> None:
    wiper = with_play(shaft, start, backlash)
    assert (np.abs(wiper - shaft) <= backlash / 2.0 + 1e-12).all()
    before = np.concatenate(([start], wiper[:-1]))
    still = np.abs(before - shaft) <= backlash / 2.0
    assert (wiper[still] == before[still]).all()
    # When it moves it is dragged, so it ends at the edge of the play.
    assert np.abs(wiper - shaft)[~still] == pytest.approx(np.full((~still).sum(), backlash / 2.0))


@given(shaft=ANGLES, start=ANGLE, backlash=st.floats(0.0, 0.1), cut=st.integers(0, 60))
def test_play_does_not_care_how_a_turn_is_cut(shaft: np.ndarray, start: float, backlash: float, cut: int) -> None:
    whole = with_play(shaft, start, backlash)
    first = with_play(shaft[:cut], start, backlash)
    rest = with_play(shaft[cut:], float(first[-1]) if first.size else start, backlash)
    assert np.array_equal(np.concatenate((first, rest)), whole)


def panel(backlash: float = 0.0, scratch: float = 0.0) -> Panel:
    return Panel((1,), np.full((2, 3, 4), 0.4), backlash, scratch)


@settings(deadline=None)
@given(
    turns=st.lists(st.tuples(st.integers(0, 2), st.integers(0, 3), ANGLE, st.integers(1, 30)), max_size=12),
    first=st.integers(0, 200),
    counts=st.lists(st.integers(1, 40), min_size=1, max_size=8),
)
def test_angles_are_the_same_however_they_are_asked_for(
    turns: list[tuple[int, int, float, int]], first: int, counts: list[int]
) -> None:
    asked = panel(0.02, 0.003)
    for number, (kind, track, there, points) in enumerate(turns):
        shaft = np.linspace(asked.shaft(0, kind, track), there, points + 1)
        asked.turn(0, kind, track, shaft, max(20 * number, asked.busy_until(0, kind, track)))
    whole = np.broadcast_to(asked.angles(0, 0, 600), (600, 3, 4))
    for count in counts:
        assert np.array_equal(
            np.broadcast_to(asked.angles(0, first, count), (count, 3, 4)), whole[first : first + count]
        )
        first += count
    assert np.array_equal(whole[-1], asked.wipers[0])
    assert np.array_equal(asked.angles(1, 0, 10), np.full((1, 3, 4), 0.4))


def test_a_turn_says_when_the_wiper_moved() -> None:
    turned = panel(backlash=0.02)
    shaft = turned.shaft(0, 0, 1)
    assert turned.turn(0, 0, 1, np.linspace(shaft, 0.4, 5), 100) is None
    moved = turned.turn(0, 0, 1, np.linspace(0.4, 0.5, 101), 200)
    # The first 0.01 of the travel is play.
    assert moved == (210, 300)
    assert turned.wipers[0, 0, 1] == pytest.approx(0.49)
    angles = turned.angles(0, 200, 111)[:, 0, 1]
    assert (angles[:11] == 0.4).all()
    assert angles[100:] == pytest.approx(np.full(11, 0.49))
    with pytest.raises(ValueError, match="track 2: the trimmer is still being turned"):
        turned.turn(0, 0, 1, np.linspace(0.5, 0.6, 10), 299)


def test_a_wiper_scratches_only_while_it_moves() -> None:
    turned = panel(scratch=0.01)
    turned.turn(0, 0, 0, np.linspace(0.4, 0.8, 401), 100)
    angles = turned.angles(0, 0, 1000)[:, 0, 0]
    roughness = angles[101:500] - np.linspace(0.4, 0.8, 401)[1:-1]
    assert roughness.std() == pytest.approx(0.01, rel=0.15)
    assert (angles[:101] == 0.4).all()
    assert (angles[500:] == 0.8).all()


def test_every_played_adjustment_has_its_trimmer_and_the_record_side_has_none() -> None:
    assert [split(f"{path} {kind}") for path in PATHS for kind in KINDS] == [  # type: ignore[arg-type]
        (path, kind) for path in range(2) for kind in range(3)
    ]
    with pytest.raises(ValueError, match='"record level" has no trimmer here'):
        split("record level")


def made(condition: Condition, found_db: np.ndarray | None = None, hf_us: float = 35.0) -> Channels:
    return Channels((5,), 16, condition, hf_us=hf_us, speed_ips=15.0, found_db=found_db)


@pytest.mark.parametrize("hf_us", [0.0, 17.5, 35.0, 70.0])
def test_with_all_trimmers_where_they_belong_the_three_tones_are_right(hf_us: float) -> None:
    channels = made(Condition(), hf_us=hf_us)
    for path in range(2):
        for hz in ALIGNED_HZ:
            assert channels.response_db(path, hz, channels.aligned[path][np.newaxis]) == pytest.approx(
                np.zeros((1, 16)), abs=1e-6
            )
    # In between they are not: the faults have another shape than the trimmers.
    assert np.abs(channels.response_db(1, 16_000.0, channels.aligned[1][np.newaxis])).max() > 0.05


def test_a_perfect_machine_is_right_everywhere() -> None:
    channels = made(PERFECT)
    for hz in (31.5, 100.0, 1000.0, 8000.0, 20_000.0):
        assert channels.response_db(0, hz, channels.found[0][np.newaxis]) == pytest.approx(np.zeros((1, 16)), abs=1e-9)


@pytest.mark.parametrize("kind", range(3))
@pytest.mark.parametrize("by_db", [-8.0, -4.0, -0.1, 0.1, 2.0, 6.0])
def test_a_trimmer_is_found_as_far_off_as_asked_for(kind: int, by_db: float) -> None:
    found_db = np.zeros((2, 3, 16))
    found_db[0, kind] = by_db if kind == 0 or abs(by_db) < 5.0 else by_db / 2.0
    channels = made(Condition(), found_db)
    at = channels.response_db(0, ALIGNED_HZ[kind], channels.found[0][np.newaxis])[0]
    # A level trimmer also tilts the highs a little: at 1 kHz by a tenth of that at 10 kHz.
    assert at == pytest.approx(found_db[0, kind], abs=0.03)


def test_level_and_high_disturb_each_other_a_little() -> None:
    found_db = np.zeros((2, 3, 16))
    found_db[0, 0] = 4.0
    channels = made(Condition(), found_db)
    at_10k = channels.response_db(0, 10_000.0, channels.found[0][np.newaxis])[0]
    assert at_10k == pytest.approx(np.full(16, 4.0 * 1.03), abs=0.02)
    found_db = np.zeros((2, 3, 16))
    found_db[0, 1] = 3.0
    channels = made(Condition(), found_db)
    at_1k = channels.response_db(0, 1000.0, channels.found[0][np.newaxis])[0]
    assert ((at_1k > 0.05) & (at_1k < 0.6)).all()


def test_a_wrong_table_of_errors_is_refused() -> None:
    with pytest.raises(ValueError, match="found_db must have shape"):
        made(Condition(), np.zeros((2, 3, 4)))


def test_a_remote_turn_changes_one_track_and_no_other() -> None:
    recorder = with_tone(1000.0, replace(PERFECT, found_level_db=1.0, backlash=0.004))
    recorder.turn(3, "repro level", 0.1, 200)
    levels = render_levels(recorder, 100, 300).tone_dbfs
    change_db = levels[250] - levels[50]
    assert 1.0 < change_db[2] < 3.0
    assert np.delete(change_db, 2) == pytest.approx(np.zeros(7), abs=1e-9)
    with pytest.raises(ValueError, match="track 9 is not on the machine"):
        recorder.turn(9, "repro level", 0.1, 500)
