"""How surely a level has changed, against generalised least squares by scipy and against wander drawn at random."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, toeplitz

from bridge.procedure.colour import WINDOW, Colour
from bridge.procedure.contrasts import SCALES, SHORTEST

Floats = NDArray[np.float64]


def covariance(memory_s: float, deviation_db: float, noise_db: float = 0.003) -> Floats:
    """Of wander of the first order with some noise, in blocks of 0.1 s."""
    matrix = deviation_db**2 * toeplitz(np.exp(-0.1 * np.arange(WINDOW) / memory_s))
    return np.asarray(matrix + noise_db**2 * np.eye(WINDOW))


def contrasts(matrix: Floats) -> Floats:
    """Variances of the contrasts of each scale, from the covariance itself."""
    variances = []
    for scale in (*SHORTEST, *SCALES):
        weights = np.zeros(WINDOW)
        weights[: scale.before] = -1.0 / scale.before
        weights[scale.before + scale.between : scale.blocks] = 1.0 / scale.after
        variances.append(weights @ matrix @ weights)
    return np.array(variances)


def learned(matrix: Floats) -> Colour:
    colour = Colour()
    colour.learn(contrasts(matrix))
    return colour


@pytest.mark.parametrize("memory_s", [0.25, 0.6, 4.0])
@pytest.mark.parametrize("place", [60, 160, 290])
def test_a_change_is_weighed_as_generalised_least_squares_do(memory_s: float, place: int) -> None:
    matrix = covariance(memory_s, 0.1)
    way = (np.arange(WINDOW) >= place).astype(float)
    level_db = np.random.default_rng(3).multivariate_normal(np.zeros(WINDOW), matrix) + 0.4 * way
    factor = cho_factor(matrix)
    design = np.stack([way, np.ones(WINDOW)], axis=1)
    information = design.T @ cho_solve(factor, design)
    expected = np.linalg.solve(information, design.T @ cho_solve(factor, level_db))
    error_db = np.sqrt(np.linalg.inv(information)[0, 0])
    where = np.zeros((WINDOW, 1), dtype=bool)
    where[place] = True
    level_db = level_db[:, np.newaxis]
    found = learned(matrix).changes(level_db, np.array([WINDOW]), np.ones(1), where)
    # Least squares know the covariance; here eight variances of it are known.
    assert found.place[0] == place
    assert found.sure[0] == pytest.approx(abs(expected[0]) / error_db, rel=0.3)
    assert found.by_db[0] == pytest.approx(expected[0], abs=1.5 * error_db)


@pytest.mark.parametrize(("memory_s", "noise_db"), [(0.1, 0.003), (1.0, 0.003), (10.0, 0.003), (15.0, 0.02)])
def test_wander_alone_is_seldom_taken_for_a_change(memory_s: float, noise_db: float) -> None:
    matrix = covariance(memory_s, 0.1, noise_db)
    draws = np.random.default_rng(4).multivariate_normal(np.zeros(WINDOW), matrix, 1000).T
    everywhere = np.ones(draws.shape, dtype=bool)
    found = learned(matrix).changes(draws, np.full(1000, WINDOW), np.ones(1000), everywhere)
    # Some hundred places that are not independent: a standard normal variable exceeds 4.8 once in 600,000.
    assert (found.sure > 4.8).mean() <= 0.005
    assert np.median(found.sure) < 3.5


def test_a_shorter_window_is_weighed_by_itself() -> None:
    matrix = covariance(1.0, 0.1)
    colour = learned(matrix)
    draws = np.random.default_rng(5).multivariate_normal(np.zeros(WINDOW), matrix, 4).T
    cut = draws.copy()
    cut[100:] = 0.0
    wild = draws.copy()
    wild[100:] = 50.0
    lengths = np.full(4, 100)
    everywhere = np.ones(draws.shape, dtype=bool)
    ones = np.ones(4)
    assert colour.changes(cut, lengths, ones, everywhere).sure == pytest.approx(
        colour.changes(wild, lengths, ones, everywhere).sure, rel=1e-3
    )
