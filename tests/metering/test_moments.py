"""Moments of moving windows against numpy's own."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.metering.moments import MovingMoments

rows = st.lists(st.one_of(st.floats(-100, 20), st.just(math.nan)), min_size=1, max_size=60)


@given(rows, st.integers(2, 12))
def test_a_window_has_the_moments_that_numpy_finds(values: list[float], length: int) -> None:
    moments = MovingMoments(12, 2)
    for number, value in enumerate(values, start=1):
        moments.push(np.array([value, -1.0]))
        window = np.array(values[max(0, number - length) : number])
        mean, deviation = moments.mean(length)[0], moments.deviation(length)[0]
        if len(window) < length or np.isnan(window).any():
            assert math.isnan(mean)
            assert math.isnan(deviation)
        else:
            assert mean == pytest.approx(window.mean(), abs=1e-9)
            assert deviation == pytest.approx(window.std(ddof=1), abs=1e-5)


def test_a_day_of_tone_leaves_the_spread_exact() -> None:
    # Sums from the beginning grow; what a window is worth does not fade with them.
    moments = MovingMoments(100, 1)
    rng = np.random.default_rng(4)
    moments.push(np.array([math.nan]))
    moments._row[:2] = -18.0 * 8.64e6, 324.0 * 8.64e6  # a hundred rows a second, for a day
    levels = -18.0 + 0.02 * rng.standard_normal(300)
    for level in levels:
        moments.push(np.array([level]))
    assert moments.mean(40)[0] == pytest.approx(levels[-40:].mean(), abs=1e-6)
    assert moments.deviation(100)[0] == pytest.approx(levels[-100:].std(ddof=1), abs=1e-4)


def test_cleared_it_begins_anew() -> None:
    moments = MovingMoments(3, 1)
    for level in (1.0, 2.0, 3.0):
        moments.push(np.array([level]))
    moments.clear()
    moments.push(np.array([5.0]))
    assert math.isnan(moments.mean(3)[0])
