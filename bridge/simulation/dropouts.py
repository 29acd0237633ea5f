"""Dropouts: moments at which the tape is lifted from the head or its coating is missing.

A seed and a rate go in; how much each track loses at each place comes out. They belong to places on the tape: after a
rewind the same ones are there again.
"""

import functools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.simulation.arrays import Floats
from bridge.tape.losses import spacing_loss_db

DEEPEST_DB: Final = 40.0
"""What is left then comes in from beside the lifted spot."""

_STRETCH_S: Final = 20.0
"""Dropouts are drawn for stretches of tape this long, so that any place can be asked for first."""

_LONGEST_S: Final = 0.4


@dataclass(frozen=True, slots=True)
class Dropout:
    """One dropout.

    ``position_s`` is its middle, ``seconds`` its whole length; it covers the tracks ``first_track`` … ``last_track``
    (1…). ``lift_um`` costs spacing loss, ``missing_db`` is lost at every wavelength.
    """

    position_s: float
    seconds: float
    first_track: int
    last_track: int
    lift_um: float
    missing_db: float

    def depth_db(self, wavelength_um: float) -> float:
        """Return how deep it is in its middle, as a positive number."""
        return min(self.missing_db - spacing_loss_db(wavelength_um, self.lift_um), DEEPEST_DB)


class Dropouts:
    """All dropouts of a tape.

    Parameters
    ----------
    seed : tuple of int
    tracks : int
    per_minute : float
        How many pass in a minute of play on all tracks together. 0…600.
    """

    def __init__(self, seed: tuple[int, ...], tracks: int, per_minute: float) -> None:
        if not 0.0 <= per_minute <= 600.0:
            raise ValueError(f"dropouts per minute must be from 0 to 600, not {per_minute:g}")
        self._seed = seed
        self._tracks = tracks
        self._per_minute = per_minute
        self._stretch = functools.lru_cache(maxsize=256)(self._drawn)

    def between(self, first_s: float, last_s: float) -> tuple[Dropout, ...]:
        """Return the dropouts that touch a stretch of tape, in order of their middles."""
        if self._per_minute == 0.0:
            return ()
        reach_s = _LONGEST_S / 2.0
        stretches = range(
            max(math.floor((first_s - reach_s) / _STRETCH_S), 0), math.floor((last_s + reach_s) / _STRETCH_S) + 1
        )
        return tuple(
            dropout
            for number in stretches
            for dropout in self._stretch(number)
            if first_s - dropout.seconds / 2.0 <= dropout.position_s <= last_s + dropout.seconds / 2.0
        )

    def loss_db(self, positions_s: Floats, wavelength_um: float) -> Floats | None:
        """Return what is lost, shape (places, tracks), 0 or above; None where there is no dropout at all."""
        found = self.between(float(positions_s.min()), float(positions_s.max()))
        if not found:
            return None
        lost_db = np.zeros((positions_s.size, self._tracks))
        for dropout in found:
            # Flat for the middle third, raised cosines on both sides of it.
            away = np.abs(positions_s - dropout.position_s) / (dropout.seconds / 2.0)
            shape = 0.5 + 0.5 * np.cos(np.pi * np.clip((away - 1.0 / 3.0) * 1.5, 0.0, 1.0))
            here = slice(dropout.first_track - 1, dropout.last_track)
            lost_db[:, here] += shape[:, np.newaxis] * dropout.depth_db(wavelength_um)
        return np.minimum(lost_db, DEEPEST_DB)

    def _drawn(self, number: int) -> tuple[Dropout, ...]:
        """Return the dropouts of one stretch. Their sizes are common practice, no source."""
        rng = np.random.default_rng([*self._seed, number])
        count = int(rng.poisson(self._per_minute * _STRETCH_S / 60.0))
        drawn = []
        for position_s in np.sort(rng.random(count)) * _STRETCH_S + number * _STRETCH_S:
            first = int(rng.integers(1, self._tracks + 1))
            # Three in five touch one track; a crease or a splice goes across several.
            last = min(first + int(rng.geometric(0.6)) - 1, self._tracks)
            seconds = float(np.clip(0.05 * np.exp(0.7 * rng.standard_normal()), 0.015, _LONGEST_S))
            drawn.append(
                Dropout(
                    position_s=float(position_s),
                    seconds=seconds,
                    first_track=first,
                    last_track=last,
                    lift_um=float(rng.uniform(3.0, 40.0)),
                    missing_db=float(rng.uniform(0.5, 8.0)),
                )
            )
        return tuple(drawn)
