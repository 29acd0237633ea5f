"""What is right and untouched is verified on leaving a step, and nothing else. The levels are made up."""

import math

import numpy as np
import pytest

from bridge.procedure.patch import TrackLevels
from bridge.procedure.progress import Progress
from bridge.procedure.settling import Settled
from bridge.procedure.unverified import CHANGED, Unverified
from bridge.procedure.visit import Moment, Visit
from bridge.readings import Trim
from tests.procedure.studio import HIGH, setup

BANK = setup((HIGH,)).banks[0]
PLACES = len(BANK.tracks)
READ_SPREAD_DB = 0.06


def left(first_db: float, mean_db: float, spread_db: float) -> Trim | Unverified:
    """What comes of a track that read something first, and something else over all its steady time."""
    visit = Visit("Somewhere", HIGH, BANK, Progress())
    vu = np.full(PLACES, HIGH.target_vu + first_db)
    spread, ones, no = np.full(PLACES, READ_SPREAD_DB), np.ones(PLACES), np.zeros(PLACES, dtype=bool)
    visit.see(TrackLevels(0, 0, HIGH.tone_hz, 2.0, vu, vu, vu, spread, ones, vu, no, vu, vu), 3.0)
    steady = Settled(mean_db, spread_db, 0.02, 30.0, 2.0, 32.0)
    return visit.verified([steady] * PLACES, Moment(33.0, 33 * 10**9))[0]


@pytest.mark.parametrize("spread_db", [0.05, 0.1, 0.3])
@pytest.mark.parametrize("first_db", [0.0, 0.2, -0.2])
def test_what_read_the_same_all_the_time_is_verified(first_db: float, spread_db: float) -> None:
    verdict = left(first_db, first_db, spread_db)
    assert isinstance(verdict, Trim)
    assert (verdict.kind, verdict.as_found_db) == ("verified", pytest.approx(first_db))
    assert math.isclose(verdict.as_left_db, first_db, abs_tol=1e-9)


@pytest.mark.parametrize("changed_db", [-0.9, 0.6, 0.9])
def test_what_has_changed_is_not_though_the_change_has_made_its_spread_large(changed_db: float) -> None:
    # With half of the time before it and half after, the standard deviation is half of the change, by definition.
    verdict = left(changed_db, 0.0, 0.5 * abs(changed_db))
    assert isinstance(verdict, Unverified)
    assert verdict.reason == CHANGED
