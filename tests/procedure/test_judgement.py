"""The verdict stands where a tape wanders across the edge of the tolerance, and follows the hand at once."""

import math
from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import pytest

from bridge.procedure.judgement import Judgement
from bridge.readings import Reading, State

TOLERANCE_DB = 0.2
FRAMES_PER_S = 30


def reading(fine_db: float, spread_db: float = 0.03, state: State = "settled", deviation_db: float = 0.0) -> Reading:
    return Reading(1, 0.0, deviation_db, fine_db, spread_db, state, -17.0, -20.0)


def verdicts(readings: Iterable[Reading]) -> list[bool]:
    judgement = Judgement()
    return [judgement.judge([one], TOLERANCE_DB) == (1,) for one in readings]


def changes(of: list[bool]) -> int:
    return sum(one is not other for one, other in pairwise(of))


def wander(mean_db: float, spread_db: float, seconds: float, seed: int) -> np.ndarray:
    """A level that wanders with a correlation time of half a second, as a tape does (first-order autoregression)."""
    random = np.random.default_rng(seed)
    kept = math.exp(-1.0 / (0.5 * FRAMES_PER_S))
    level = np.empty(round(seconds * FRAMES_PER_S))
    level[0] = 0.0
    for at in range(1, level.size):
        level[at] = kept * level[at - 1] + math.sqrt(1.0 - kept**2) * random.standard_normal()
    return mean_db + spread_db * level


@pytest.mark.parametrize("spread_db", [0.01, 0.03, 0.05])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_at_the_edge_of_the_tolerance_it_stands(spread_db: float, sign: float) -> None:
    levels = [wander(sign * TOLERANCE_DB, spread_db, 60.0, seed) for seed in range(10)]
    plain = sum(changes([bool(abs(db) <= TOLERANCE_DB) for db in level]) for level in levels)
    judged = sum(changes(verdicts(reading(db, spread_db) for db in level)) for level in levels)
    # Ten minutes: a verdict by the reading alone changes every other second, this one about once in half a minute.
    assert plain > 200
    assert judged < plain / 8


@pytest.mark.parametrize(
    ("fine_db", "spread_db", "begun_right", "right"),
    [
        (0.25, 0.03, True, True),
        (0.27, 0.03, True, False),
        (0.15, 0.03, False, False),
        (0.13, 0.03, False, True),
        (0.201, 0.0, True, False),
        (0.199, 0.0, False, True),
        # The middle half of the tolerance is right, however unsteady the tape, and half of it more is outside.
        (0.09, 0.5, False, True),
        (0.31, 0.5, True, False),
    ],
)
def test_it_changes_by_more_than_chance(fine_db: float, spread_db: float, begun_right: bool, right: bool) -> None:
    begin = 0.0 if begun_right else 0.5
    assert verdicts([reading(begin), reading(fine_db, spread_db)]) == [begun_right, right]
    assert verdicts([reading(-begin), reading(-fine_db, spread_db)]) == [begun_right, right]


def test_while_the_trimmer_turns_and_without_a_spread_the_reading_decides() -> None:
    assert verdicts([reading(0.5), reading(0.19, 0.3, "moving"), reading(0.21, 0.3, "moving")]) == [False, True, False]
    assert verdicts([reading(0.5), reading(0.19, math.nan)]) == [False, True]


def test_what_has_no_level_is_not_right_and_nothing_is_remembered_of_it() -> None:
    gone = reading(math.nan, math.nan, "quiet")
    assert verdicts([reading(0.0), gone, reading(0.22)]) == [True, False, False]
    other = reading(math.nan, math.nan, "tone", math.nan)
    assert verdicts([reading(0.0), other, reading(0.22)]) == [True, False, False]
    # The needle stands in where there is no fine deviation yet.
    assert verdicts([reading(math.nan, math.nan, "tone", 0.1), reading(math.nan, math.nan, "tone", 0.3)]) == [
        True,
        False,
    ]


def test_another_step_begins_anew() -> None:
    judgement = Judgement()
    assert judgement.judge([reading(0.0)], TOLERANCE_DB) == (1,)
    judgement.forget()
    assert judgement.judge([reading(0.22)], TOLERANCE_DB) == ()
