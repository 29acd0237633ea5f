"""The electronics of all tracks: where the trimmers stand goes in, by how much each track is off comes out.

Each track has its own faults: level, highs (a tilt in proportion to frequency, as a worn head has by Wallace's law) and
lows (a shelf). The trimmers make up for them at three tones, not everywhere: they have another shape.
"""

from typing import Final

import numpy as np

from bridge.simulation.arrays import Floats
from bridge.simulation.condition import Condition
from bridge.simulation.trimmers import (
    KINDS,
    PATHS,
    TRAVEL,
    high_angle,
    high_db,
    level_angle,
    level_db,
    low_angle,
    low_db,
)
from bridge.tape.losses import gap_loss_db
from bridge.tape.wavelength import wavelength_um

ALIGNED_HZ: Final = (1000.0, 10_000.0, 100.0)
"""The tones at which level, high and low are right when all three trimmers are where they belong."""

_TILT_HZ: Final = 10_000.0
_SHELF_HZ: Final = 70.0
"""Corner of the low-frequency fault: not that of the trimmer that makes up for it. Practice, no source."""


class Channels:
    """The reproduce electronics of all tracks on both paths.

    Parameters
    ----------
    seed : tuple of int
    tracks : int
    condition : Condition
    hf_us : float
        Time constant of the reproduce equalization that the high trimmers change.
    speed_ips : float
    found_db : ndarray, shape (2 paths, 3 kinds, tracks), or None
        How far each trimmer is from where it belongs, at its own tone; None = drawn from ``condition``.
    """

    def __init__(
        self,
        seed: tuple[int, ...],
        tracks: int,
        condition: Condition,
        *,
        hf_us: float,
        speed_ips: float,
        found_db: Floats | None = None,
    ) -> None:
        rng = np.random.default_rng(seed)
        self._hf_us = hf_us
        self._speed_ips = speed_ips
        self._level_to_high = condition.level_to_high
        self._gaps_um = (condition.repro_gap_um, condition.sync_gap_um)
        shape = (len(PATHS), len(KINDS), tracks)
        found_sizes = (condition.found_level_db, condition.found_high_db, condition.found_low_db)
        drawn_db = rng.standard_normal(shape) * np.array(found_sizes)[:, np.newaxis]
        found_db = drawn_db if found_db is None else found_db
        if found_db.shape != shape:
            raise ValueError(f"found_db must have shape {shape}, not {found_db.shape}")
        circuit_sizes = (condition.circuit_level_db, condition.circuit_high_db, condition.circuit_low_db)
        circuit_db = np.clip(rng.standard_normal(shape), -2.0, 2.0) * np.array(circuit_sizes)[:, np.newaxis]
        # A trimmer that is to be found 8 dB off belongs where it can be turned 8 dB from.
        ends = np.array([_gains_db(np.full(3, end), hf_us) for end in (0.06, 0.94)])
        low, high = ends[0][:, np.newaxis], ends[1][:, np.newaxis]
        lowest, highest = low - np.minimum(found_db, 0.0), high - np.maximum(found_db, 0.0)
        self._circuit_db: Floats = -np.clip(-circuit_db, lowest, highest)
        self.aligned: Final[Floats] = self._solved()
        self.found: Final[Floats] = self._moved(self.aligned, found_db)

    def response_db(self, path: int, hz: float, angles: Floats) -> Floats:
        """Return by how much each track is off the perfect reproducer at a frequency.

        Parameters
        ----------
        path : int
            Index into `PATHS`.
        hz : float
        angles : ndarray, shape (points, 3 kinds, tracks)

        Returns
        -------
        ndarray, shape (points, tracks)
        """
        level = level_db(angles[:, 0])
        tilt = hz / _TILT_HZ
        return (
            level * (1.0 + self._level_to_high * tilt)
            + high_db(angles[:, 1], hz, self._hf_us)
            + low_db(angles[:, 2], hz)
            + self._faults_db(path, hz)
        )

    def _faults_db(self, path: int, hz: float) -> Floats:
        level, high, low = self._circuit_db[path]
        shelf = 1.0 / (1.0 + (hz / _SHELF_HZ) ** 2)
        lost = gap_loss_db(wavelength_um(hz, self._speed_ips), self._gaps_um[path])
        faults_db: Floats = level + high * hz / _TILT_HZ + low * shelf + lost
        return faults_db

    def _solved(self) -> Floats:
        """Return the angles at which every track is right at the three tones."""
        angles = np.empty_like(self._circuit_db)
        angles[:] = np.array([level_angle(np.zeros(1))[0], 0.5, 0.5])[:, np.newaxis]
        for path in range(len(PATHS)):
            # Each trimmer in turn, as a person does; they hardly disturb each other, so this comes to rest quickly.
            for _ in range(40):
                for kind, hz in enumerate(ALIGNED_HZ):
                    off_db = self.response_db(path, hz, angles[path][np.newaxis])[0]
                    now_db = _gains_db(angles[path], self._hf_us)[kind]
                    angles[path, kind] = _angle(kind, now_db - off_db, self._hf_us)
        return angles

    def _moved(self, angles: Floats, by_db: Floats) -> Floats:
        """Return angles that differ by so many dB, each at its own tone, as far as the travel allows."""
        moved = angles.copy()
        for path in range(len(PATHS)):
            gains_db = _gains_db(angles[path], self._hf_us)
            for kind in range(len(KINDS)):
                there = _angle(kind, gains_db[kind] + by_db[path, kind], self._hf_us)
                moved[path, kind] = np.where(by_db[path, kind] == 0.0, angles[path, kind], there)
        return moved


def _gains_db(angles: Floats, hf_us: float) -> Floats:
    """Return what each trimmer does at its own tone; ``angles`` has the kinds first."""
    _, high_hz, low_hz = ALIGNED_HZ
    return np.array([level_db(angles[0]), high_db(angles[1], high_hz, hf_us), low_db(angles[2], low_hz)])


def _angle(kind: int, gain_db: Floats, hf_us: float) -> Floats:
    """Return the angle at which a kind of trimmer does so much at its own tone, within its travel."""
    hz = ALIGNED_HZ[kind]
    angle = (level_angle(gain_db), high_angle(gain_db, hz, hf_us), low_angle(gain_db, hz))[kind]
    return np.clip(angle, *TRAVEL)
