"""The trimmers: turns of a screwdriver go in, what the wipers do goes out, and what that does to the level.

An angle is a share of the trimmer's travel, 0…1. The shaft is what the screwdriver turns; the wiper follows it with
some play, and scratches while it moves. Moments are points, four to a tick.
"""

import bisect
import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from bridge.simulation.arrays import Floats, ratios
from bridge.simulation.transport import TICK_S
from bridge.tape.machine import Adjustment

POINTS_A_TICK: Final = 4
"""Everything that changes a level is sampled so often, and runs straight in between."""

POINT_S: Final = TICK_S / POINTS_A_TICK

PathName = Literal["repro", "sync"]
Kind = Literal["level", "high", "low"]

PATHS: Final[tuple[PathName, ...]] = ("repro", "sync")
KINDS: Final[tuple[Kind, ...]] = ("level", "high", "low")

_STOP: Final = 0.15
"""Fixed resistor below the level trimmer, as a share of its own resistance."""
_MIDDLE: Final = 0.35
"""Angle at which the level trimmer does nothing."""
_HIGH_RANGE: Final = 16.0
"""From one stop of the high trimmer to the other the time constant grows so many times, from a quarter to fourfold."""
_LOW_RANGE_DB: Final = 18.0
"""The low trimmer lifts or cuts the shelf by so much at its stops."""
_LOW_CORNER_HZ: Final = 100.0
TRAVEL: Final = (0.02, 0.98)
"""How far people turn; the ends of the track are worn."""


def split(adjustment: Adjustment) -> tuple[int, int]:
    """Return (path, kind) of an adjustment as indices into `PATHS` and `KINDS`.

    Raises
    ------
    ValueError
        For a trimmer of the record side: it does nothing while a tape is played.
    """
    for path, path_name in enumerate(PATHS):
        for kind, kind_name in enumerate(KINDS):
            if adjustment == f"{path_name} {kind_name}":
                return path, kind
    raise ValueError(f'"{adjustment}" has no trimmer here: the simulated recorder only plays')


def level_db(angle: Floats) -> Floats:
    """Return the gain of a level trimmer: a voltage divider, steep at its lower end (58 dB a travel) and flat above."""
    return 20.0 * np.log10((angle + _STOP) / (_MIDDLE + _STOP))


def level_angle(gain_db: Floats) -> Floats:
    """Return the angle for a gain: the inverse of `level_db`."""
    return (_MIDDLE + _STOP) * ratios(gain_db) - _STOP


def high_db(angle: Floats, hz: float, hf_us: float) -> Floats:
    """Return what a high trimmer adds at a frequency: it changes the time constant of the reproduce equalization.

    That also lifts 1 kHz a little, which is why level and high are set in turn.
    """
    square = _turns(hz, hf_us)
    return 10.0 * np.log10((1.0 + square * _HIGH_RANGE ** (2.0 * angle - 1.0)) / (1.0 + square))


def high_angle(gain_db: Floats, hz: float, hf_us: float) -> Floats:
    """Return the angle for a gain at a frequency: the inverse of `high_db`, at a stop where that is out of range."""
    square = _turns(hz, hf_us)
    grown = np.maximum((ratios(2.0 * gain_db) * (1.0 + square) - 1.0) / square, 1e-9)
    return 0.5 + 0.5 * np.log(grown) / math.log(_HIGH_RANGE)


def low_db(angle: Floats, hz: float) -> Floats:
    """Return what a low trimmer adds at a frequency: a shelf of the first order, the same in lift and cut."""
    shelf = ratios(_LOW_RANGE_DB * (2.0 * angle - 1.0))
    ratio = (_LOW_CORNER_HZ / hz) ** 2
    return 10.0 * np.log10((1.0 + shelf * ratio) / (1.0 + ratio / shelf))


def low_angle(gain_db: Floats, hz: float) -> Floats:
    """Return the angle for a gain at a frequency: the inverse of `low_db`."""
    power = ratios(2.0 * gain_db)
    ratio = (_LOW_CORNER_HZ / hz) ** 2
    shelf = (power - 1.0 + np.sqrt((power - 1.0) ** 2 + 4.0 * power * ratio**2)) / (2.0 * ratio)
    return 0.5 + 0.5 * 20.0 * np.log10(shelf) / _LOW_RANGE_DB


def _turns(hz: float, hf_us: float) -> float:
    """Return (2 pi f tau)^2; a flat equalization still has a trimmer, of the shortest standardised time constant."""
    return (2.0e-6 * math.pi * hz * (hf_us or 17.5)) ** 2


def with_play(shaft: Floats, wiper: float, backlash: float) -> Floats:
    """Return where the wiper goes while the shaft takes the given angles: it is dragged along at each end of the play.

    Parameters
    ----------
    shaft : ndarray, shape (points,)
    wiper : float
        Where the wiper is before.
    backlash : float
        Width of the play.
    """
    followed = np.empty_like(shaft)
    for index, angle in enumerate(shaft):
        wiper = min(max(wiper, angle - backlash / 2.0), angle + backlash / 2.0)
        followed[index] = wiper
    return followed


@dataclass(frozen=True, slots=True, eq=False)
class Movement:
    """The wiper of one trimmer from ``start_point`` on; it stays at the last angle."""

    start_point: int
    angles: Floats

    @property
    def end_point(self) -> int:
        """The first point at which it stands still."""
        return self.start_point + self.angles.size - 1


class Panel:
    """All trimmers of a recorder through time.

    Parameters
    ----------
    seed : tuple of int
    angles : ndarray, shape (2 paths, 3 kinds, tracks)
        Where the wipers are at the beginning.
    backlash : float
        Play between shaft and wiper, as a share of the travel.
    scratch : float
        Standard deviation of the place of contact while the wiper moves, as a share of the travel.
    """

    def __init__(self, seed: tuple[int, ...], angles: Floats, backlash: float, scratch: float) -> None:
        self._seed = seed
        self._backlash = backlash
        self._scratch = scratch
        self._initial = angles.copy()
        self._wiper = angles.copy()
        # A trimmer rests somewhere in its play.
        rest = np.random.default_rng([*seed, 1]).uniform(-0.5, 0.5, angles.shape)
        self._shaft: Floats = np.clip(angles + backlash * rest, 0.0, 1.0)
        self._movements: dict[tuple[int, int, int], list[Movement]] = {}
        self._quiet: dict[int, tuple[int, float, Floats]] = {}

    @property
    def wipers(self) -> Floats:
        """Where the wipers are after all movements, shape (2 paths, 3 kinds, tracks)."""
        return self._wiper

    def shaft(self, path: int, kind: int, track: int) -> float:
        """Return where a shaft is after all movements; ``track`` counts from 0."""
        return float(self._shaft[path, kind, track])

    def busy_until(self, path: int, kind: int, track: int) -> int:
        """Return the point from which a trimmer stands still."""
        movements = self._movements.get((path, kind, track))
        return movements[-1].end_point if movements else 0

    def turn(self, path: int, kind: int, track: int, shaft: Floats, start_point: int) -> tuple[int, int] | None:
        """Turn a shaft; ``shaft[0]`` is its angle at ``start_point``.

        Returns
        -------
        tuple of int, or None
            The points between which the wiper moved; None when it stayed within its play.

        Raises
        ------
        ValueError
            When the trimmer is still being turned at ``start_point``.
        """
        if start_point < self.busy_until(path, kind, track):
            raise ValueError(f"track {track + 1}: the trimmer is still being turned")
        key = (path, kind, track)
        shaft = np.clip(shaft, 0.0, 1.0)
        wiper = with_play(shaft, float(self._wiper[key]), self._backlash)
        self._shaft[key], before = shaft[-1], float(self._wiper[key])
        changed = np.flatnonzero(np.diff(wiper, prepend=before))
        if changed.size == 0:
            return None
        first, last = max(int(changed[0]) - 1, 0), int(changed[-1])
        angles = wiper[first : last + 1].copy()
        movements = self._movements.setdefault(key, [])
        rng = np.random.default_rng([*self._seed, 2, *key, len(movements)])
        moving = np.diff(angles, prepend=angles[0]) != 0.0
        moving[-1] = False
        angles[moving] += self._scratch * rng.standard_normal(int(moving.sum()))
        movements.append(Movement(start_point + first, np.clip(angles, 0.0, 1.0)))
        self._wiper[key] = wiper[-1]
        self._quiet.clear()
        return start_point + first, start_point + last

    def angles(self, path: int, first_point: int, points: int) -> Floats:
        """Return where the wipers of a path are, shape (points, 3 kinds, tracks), or (1, …) when none of them moves."""
        known = self._quiet.get(path)
        if known is not None and known[0] <= first_point and first_point + points - 1 <= known[1]:
            return known[2]
        still: Floats = self._initial[path][np.newaxis].copy()
        quiet_from, quiet_to = 0, math.inf
        moving: list[tuple[int, int, list[Movement]]] = []
        for (of_path, kind, track), movements in self._movements.items():
            if of_path != path:
                continue
            begun = bisect.bisect_right(movements, first_point, key=_start)
            if begun and movements[begun - 1].end_point > first_point:
                begun -= 1
            if begun:
                still[0, kind, track] = movements[begun - 1].angles[-1]
                quiet_from = max(quiet_from, movements[begun - 1].end_point)
            if begun < len(movements):
                quiet_to = min(quiet_to, movements[begun].start_point)
                if movements[begun].start_point < first_point + points - 1:
                    moving.append((kind, track, movements[begun:]))
        if not moving:
            self._quiet[path] = (quiet_from, quiet_to, still)
            return still
        angles: Floats = np.repeat(still, points, axis=0)
        for kind, track, movements in moving:
            for movement in movements:
                start = movement.start_point - first_point
                if start >= points:
                    break
                stop = start + movement.angles.size
                angles[max(start, 0) : max(stop, 0), kind, track] = movement.angles[
                    max(-start, 0) : max(points - start, 0)
                ]
                angles[max(stop, 0) :, kind, track] = movement.angles[-1]
        return angles


def _start(movement: Movement) -> int:
    return movement.start_point
