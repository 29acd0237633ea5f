"""Slow random functions of time, one a track: what level wander, contact, weave and flutter are made of.

A seed and a spectrum go in; values at any moments come out, in any order, without a memory of what was asked before.

A Gaussian process is written as a sum of sinusoids with random amplitudes and phases (spectral representation;
Shinozuka and Deodatis, Applied Mechanics Reviews 44(4), 1991, from memory). Nothing has to be stepped through, so a
rewind, a jump and a block of any size cost the same and give the same.
"""

import numpy as np

from bridge.simulation.arrays import Floats


class SlowProcess:
    """Random functions of unit variance with the spectrum 1 / (1 + (f / corner)^2) between two limits.

    Parameters
    ----------
    rng : numpy.random.Generator
        Drawn from here only.
    channels : int
        How many functions.
    corner_hz : float
        Where the spectrum has fallen to one half.
    lowest_hz, highest_hz : float
        Its limits. Slower than ``lowest_hz`` is not wander but a trim; faster than ``highest_hz`` is noise.
    neighbours : float
        Correlation of one channel with the next, 0…1; with the one after that its square, and so on.
    components : int
        Sinusoids. With 48 the values are Gaussian as far as four standard deviations.
    """

    def __init__(
        self,
        rng: np.random.Generator,
        channels: int,
        *,
        corner_hz: float,
        lowest_hz: float = 0.02,
        highest_hz: float = 10.0,
        neighbours: float = 0.0,
        components: int = 48,
    ) -> None:
        # One frequency from each of equally powerful bands: every sinusoid carries the same variance.
        share = (np.arange(components) + rng.random(components)) / components
        low, high = np.arctan([lowest_hz / corner_hz, highest_hz / corner_hz])
        self._hz: Floats = corner_hz * np.tan(low + (high - low) * share)
        weights = rng.standard_normal((2 * components, channels))
        for channel in range(1, channels):
            weights[:, channel] = (
                neighbours * weights[:, channel - 1] + np.sqrt(1.0 - neighbours**2) * weights[:, channel]
            )
        self._weights: Floats = weights / np.sqrt((weights**2).sum(axis=0) / 2.0)

    def at(self, seconds: Floats) -> Floats:
        """Return the values at the given moments, shape (moments, channels)."""
        # float32 is exact to 1e-7 of a turn once the whole turns are taken off in float64.
        turns = seconds[:, np.newaxis] * self._hz
        angle = (2.0 * np.pi * (turns - np.floor(turns))).astype(np.float32)
        return np.concatenate((np.cos(angle), np.sin(angle)), axis=1) @ self._weights
