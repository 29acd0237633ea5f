"""Blocks, records, wander and means: against sums done by hand and against noise whose statistics are known."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.procedure.blocks import AROUND, Block, Blocks, Floats
from bridge.procedure.evidence import Evidence
from bridge.procedure.hindsight import CHANGED, Change, likeliest_changes, sharpness
from bridge.procedure.movement import creeps_on, still_blocks
from bridge.procedure.record import KEPT_BLOCKS, Record
from bridge.procedure.settling import settled
from bridge.procedure.trim_watch import TrimWatch
from bridge.readings import resolution_db
from tests.procedure.hands import move, recognised, tape, watched


def blocks_of(levels: Floats) -> list[Block]:
    blocks = Blocks(levels.shape[1])
    no = np.zeros(levels.shape[1], dtype=bool)
    return [block for number, row in enumerate(levels, 1) for block in blocks.push(number * 0.01, row, no)]


def block_at(number: int, level_db: Floats) -> Block:
    no = np.zeros(level_db.size, dtype=bool)
    return Block(number, 0.1 * number, level_db, ~no, np.zeros((AROUND, level_db.size)), level_db, no)


def test_blocks_come_ten_a_second_and_a_little_later() -> None:
    blocks = blocks_of(tape(5.0, 3, 0.02))
    assert [block.number for block in blocks] == list(range(50 - AROUND))
    assert [block.end_s for block in blocks] == pytest.approx([0.1 * number for number in range(1, 51 - AROUND)])
    assert all(block.ahead_db.shape == (AROUND, 3) for block in blocks)


def test_a_scratch_of_the_wiper_weighs_nothing_in_a_block() -> None:
    levels = np.zeros((500, 2))
    levels[203:205, 0] = 3.0
    levels[317:319, 0] = -8.0
    assert max(float(np.abs(block.level_db[0])) for block in blocks_of(levels)) == 0.0


def test_a_dropout_does_not_count_and_a_ramp_does() -> None:
    levels = tape(12.0, 2, 0.01)
    levels[400:425, 0] -= 5.0
    move(levels, 1, 4.0, 5.5, 6.0)
    blocks = blocks_of(levels)
    assert not all(block.good[0] for block in blocks if 4.0 <= block.end_s <= 4.3)
    assert all(block.good[1] for block in blocks if 1.0 < block.end_s < 11.0)


def test_the_edges_of_a_silence_do_not_count() -> None:
    levels = tape(12.0, 1, 0.01)
    levels[500:800] = math.nan
    good = [block.end_s for block in blocks_of(levels) if block.good[0]]
    assert not [end_s for end_s in good if 4.85 < end_s < 8.15]
    assert [end_s for end_s in good if end_s < 4.85]
    assert [end_s for end_s in good if end_s > 8.35]


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(-20.0, 20.0), min_size=4, max_size=80), st.data())
def test_the_record_knows_the_mean_of_any_stretch(values: list[float], data: st.DataObject) -> None:
    record = Record(1)
    good = [data.draw(st.booleans()) for _ in values]
    for number, (value, held) in enumerate(zip(values, good, strict=True)):
        record.append(block_at(number, np.array([value])), np.array([held]))
    start = data.draw(st.integers(0, len(values) - 1))
    end = data.draw(st.integers(start, len(values)))
    kept = [value for value, held in zip(values[start:end], good[start:end], strict=True) if held]
    number, mean, spread = record.moments(0, start, end)
    assert number == len(kept)
    if kept:
        assert mean == pytest.approx(np.mean(kept), abs=1e-9)
    if len(kept) > 1:
        assert spread == pytest.approx(np.std(kept, ddof=1), abs=1e-5)
    record.weigh(0, start)
    assert record.moments(0, start, len(values))[0] == len(values) - start


def test_the_record_keeps_a_minute() -> None:
    record = Record(2)
    for number in range(3 * KEPT_BLOCKS):
        level = np.array([float(number), 0.0])
        record.append(block_at(number, level), np.array([True, True]))
    assert record.oldest == 2 * KEPT_BLOCKS
    assert record.moments(0, 0, record.count)[0] == KEPT_BLOCKS
    assert record.moments(0, record.count - 3, record.count)[1] == pytest.approx(3 * KEPT_BLOCKS - 2)
    assert record.end_s(record.count - 1) == pytest.approx(0.1 * (3 * KEPT_BLOCKS - 1))


def test_still_counts_back_to_where_the_level_was_another() -> None:
    rng = np.random.default_rng(2)
    for length in (5, 12, 30):
        level = 0.01 * rng.standard_normal(60)
        level[: 60 - length] += 0.5
        assert still_blocks(level, (0.012, 0.012, 0.012)) == pytest.approx(length, abs=1)
    assert still_blocks(0.01 * rng.standard_normal(50), (0.02, 0.02, 0.02)) == 50


def test_a_level_creeps_on_until_it_has_rested_for_long_enough_to_tell() -> None:
    rng = np.random.default_rng(3)
    wander, slow = 0.01 * rng.standard_normal(40), np.linspace(-0.4, 0.0, 40)
    deviation_db = 0.01 / math.sqrt(20.0)
    assert creeps_on(slow + wander, 20, deviation_db)
    assert creeps_on(np.where(np.arange(40) % 3 == 0, np.nan, slow + wander), 20, deviation_db)
    assert not creeps_on(np.minimum(2.0 * slow + 0.4, 0.0) + wander, 20, deviation_db), "it has ended"
    assert not creeps_on(np.where(np.arange(40) < 20, -0.4, 0.0) + wander, 20, deviation_db), "it went at once"
    assert not creeps_on(wander, 20, deviation_db), "it never went"
    assert not creeps_on(np.full(40, np.nan), 20, deviation_db)


def seen_of(levels: Floats) -> Evidence:
    """What is seen of levels on which nobody is taken to have a hand."""
    tracks = levels.shape[1]
    blocks, evidence, no = Blocks(tracks), Evidence(tracks), np.zeros(tracks, dtype=bool)
    for number, row in enumerate(levels, 1):
        for block in blocks.push(number * 0.01, row, no):
            evidence.note(block, no)
            evidence.compare(~no)
            evidence.learn(~no)
    return evidence


@pytest.mark.parametrize("by_db", [0.15, -0.3])
def test_a_change_is_found_where_it_is(by_db: float) -> None:
    levels = tape(50.0, 8, 0.05)
    levels[3000:, 3] += by_db
    levels[2000:2030, 3] = math.nan
    evidence = seen_of(levels)
    (change,) = likeliest_changes(evidence, np.array([3]), evidence.now)
    assert change is not None
    assert change.block == pytest.approx(300, abs=12)
    assert change.by_db == pytest.approx(by_db, abs=0.05)
    assert change.sure > CHANGED


def test_where_nothing_has_changed_no_change_stands_out() -> None:
    evidence = seen_of(tape(60.0, 12, 0.1, memory_s=0.5))
    changes = likeliest_changes(evidence, np.arange(12), evidence.now)
    assert all(change is not None and change.sure < CHANGED for change in changes)


@pytest.mark.parametrize("seconds", [0.01, 4.0])
def test_a_creep_is_told_from_a_turn(seconds: float) -> None:
    levels = tape(60.0, 8, 0.02)
    moments_s = np.arange(6000) * 0.01
    levels[:, 1] += 0.4 * moments_s / 60.0
    levels[:, 2] += 0.2 * np.sin(2.0 * np.pi * moments_s / 90.0)
    levels[:, 3] += 0.4 * np.clip((moments_s - 30.0) / seconds, 0.0, 1.0)
    evidence = seen_of(levels)
    # All of them stand out as far.
    assert sharpness(evidence, 1, Change(300, 0.2, CHANGED), 0, evidence.now) < 0.0
    assert sharpness(evidence, 2, Change(450, 0.2, CHANGED), 0, evidence.now) < 0.0
    assert sharpness(evidence, 3, Change(300 + round(5 * seconds), 0.4, CHANGED), 0, evidence.now) > 0.0


@pytest.mark.parametrize(
    ("error_db", "step_db"), [(0.001, 0.01), (0.01, 0.01), (0.011, 0.02), (0.03, 0.05), (0.3, 0.5), (4.0, 1.0)]
)
def test_digits_that_the_tape_cannot_carry_are_not_offered(error_db: float, step_db: float) -> None:
    assert resolution_db(error_db) == step_db


@pytest.mark.parametrize("memory_s", [0.05, 0.5, 2.0])
def test_the_standard_error_takes_the_memory_of_wander_into_account(memory_s: float) -> None:
    """The mean over T of a process with exp(-t/m) has a variance of 2 s² m/T [1 - m/T (1 - exp(-T/m))] (textbooks)."""
    wander_db, blocks = 0.1, 50
    watch, _ = watched(tape(240.0, 12, wander_db, seed=3, memory_s=memory_s))
    seen = watch.evidence
    level = settled(seen.record, seen.unsteadiness, 5, seen.now - blocks, seen.now)
    ratio = memory_s / 5.0
    expected_db = wander_db * math.sqrt(2.0 * ratio * (1.0 - ratio * (1.0 - math.exp(-1.0 / ratio))))
    assert level.standard_error_db == pytest.approx(expected_db, rel=0.3)
    assert level.seconds == pytest.approx(5.0, abs=0.3)


def test_the_standard_error_allows_for_a_walk_that_has_not_been_seen_for_long() -> None:
    """After 20 s nobody knows what a walk of 15 s does; by the formula above a mean over 5 s is off by 0.095 dB."""
    levels = tape(20.0, 12, 0.1, seed=1, memory_s=15.0) + tape(20.0, 12, 0.02, seed=51, memory_s=0.05)
    watch, _ = watched(levels)
    seen = watch.evidence
    errors_db = [
        settled(seen.record, seen.unsteadiness, track, seen.now - 50, seen.now).standard_error_db for track in range(12)
    ]
    # It was 0.05 dB when the slow part was taken not to grow any more.
    assert 0.06 < np.mean(errors_db) < 0.12


def test_what_is_left_is_within_two_standard_errors_as_often_as_it_should_be() -> None:
    inside = []
    for seed in range(12):
        levels = tape(60.0, 8, 0.08, seed=100 + seed, memory_s=0.4)
        for track in range(4):
            move(levels, track, 15.0 + 8.0 * track, 16.0 + 8.0 * track, 1.5)
        inside += [
            abs(trim.as_left.level_db - 1.5) <= 2.0 * trim.as_left.standard_error_db for trim in recognised(levels)
        ]
    assert len(inside) >= 46
    # 95 % of 48 are 45.6; fewer than 41 happen by chance once in 300 times.
    assert sum(inside) >= 41


def test_a_longer_stretch_is_taken_where_the_tape_is_less_steady() -> None:
    lengths = {}
    for wander_db in (0.01, 0.15):
        levels = tape(50.0, 8, wander_db, seed=5)
        move(levels, 3, 20.0, 21.0, 2.0)
        (trim,) = recognised(levels)
        lengths[wander_db] = (trim.as_left.seconds, trim.as_left.standard_error_db, trim.as_left.resolution_db)
    assert lengths[0.15][1] > 3.0 * lengths[0.01][1]
    assert lengths[0.15][2] > lengths[0.01][2]


def test_a_track_without_steady_time_is_not_verified() -> None:
    watch = TrimWatch(4)
    levels = tape(3.0, 4, 0.02)
    levels[:, 2] = math.nan
    watched(levels, watch)
    assert watch.verify(2) is None
    assert watch.verify(1) is not None
