"""The obvious way to recognise trims, to compare with: a threshold on the VU reading, and waiting for 2 s."""

import math
from typing import Final

import numpy as np

from bridge.metering.levels import Column
from tools.bench.judging import UPDATE_S, Guess


class Obvious:
    """A threshold on the VU reading: what moves by more is being trimmed, what then stays for 2 s is settled."""

    THRESHOLD_DB: Final = 0.3
    WAIT: Final = 200
    # Critically damped to 99 % in 0.3 s.
    RATE: Final = 6.64 / 0.3 * UPDATE_S

    def __init__(self, step: int, tracks: int) -> None:
        self._step = step
        self._first = np.full(tracks, np.nan)
        self._reading = np.full(tracks, np.nan)
        self._held = np.full(tracks, np.nan)
        self._found = np.full(tracks, np.nan)
        self._moved = np.full(tracks, -1)
        self._began = np.zeros(tracks)
        self._listens = np.zeros(tracks, dtype=np.int_)
        self.guesses: list[Guess] = []

    def push(self, number: int, deviation_db: Column) -> None:
        """Take one update."""
        present = np.isfinite(deviation_db)
        fresh = present & np.isnan(self._reading)
        level = np.where(present, deviation_db, np.nan)
        self._first = np.where(fresh, level, self._first + self.RATE * (level - self._first))
        self._reading = np.where(fresh, level, self._reading + self.RATE * (self._first - self._reading))
        self._listens = np.where(present, self._listens + 1, 0)
        self._held = np.where(self._listens == 50, self._reading, np.where(present, self._held, np.nan))
        moved = np.abs(self._reading - self._held) > self.THRESHOLD_DB
        began = moved & (self._moved < 0)
        self._found = np.where(began, self._held, self._found)
        self._began = np.where(began, number, self._began)
        self._held = np.where(moved, self._reading, self._held)
        self._moved = np.where(moved, number, np.where(present, self._moved, -1))
        for track in np.flatnonzero((self._moved >= 0) & (number - self._moved >= self.WAIT)):
            started_s, ended_s = self._began[track] * UPDATE_S, self._moved[track] * UPDATE_S
            self.guesses.append(
                Guess(
                    self._step,
                    int(track),
                    float(started_s),
                    float(ended_s),
                    float(self._found[track]),
                    float(self._reading[track]),
                    math.nan,
                    number * UPDATE_S,
                )
            )
            self._held[track] = self._reading[track]
            self._moved[track] = -1
