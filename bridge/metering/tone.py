"""The tone that plays on all inputs: hops of samples in, its frequency and each input's level and phase out.

While no tone is known, the last stretch of samples is searched for one. Once found, each hop is detected in quadrature
at that frequency; the phase from hop to hop tells how far the tone has moved (speed error, wow and flutter), and the
detector follows. Below `WHOLE_HOP_HZ` several hops are summed in phase, so that every window holds six periods.

What the phase does within a hop cannot be followed: scrape flutter of 0.1 % at 90 Hz, beside 0.3 % of slow wow, lowers
the level by 0.015 dB at 10 kHz and 0.06 dB at 20 kHz.
"""

import cmath
import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.metering.finder import LEAST_RMS, ToneFinder
from bridge.metering.history import History
from bridge.metering.lattice import RectifierLattice
from bridge.metering.moments import MovingMoments
from bridge.metering.quadrature import Quadrature

HOP_S: Final = 0.005
"""Length of a hop: short enough that flutter hardly turns the phase of a 10 kHz tone within it."""

HOPS: Final = 2
"""Hops in a measurement."""

FINE_WINDOW_S: Final = 0.4
"""Window of the fine level: as long as the needle takes to settle."""

SPREAD_WINDOW_S: Final = 1.0
"""Window of the spread: long enough for the slow wander of tape to show."""

WHOLE_HOP_HZ: Final = 1000.0
"""From here on one hop holds five periods and more, and is a measurement by itself."""

PERIODS: Final = 6.0
"""Periods in a Hann window over several hops: hum at 50 Hz beside a tone of 63 Hz stays apart."""

HELD_SHARE: Final = 0.5
"""An input carries the tone while at least this share of its power is at the tone's frequency."""

LOST_S: Final = 0.1
"""A tone that is on no input for so long has ended; a dropout is shorter."""

RETUNE_HZ: Final = 4.0
"""The detector follows a tone whose mean has moved so far; what is nearer, and flutter, the kernels account for."""

TURN: Final = 4
"""Measurements between two searches, and between two chances to retune: counted from the very first, so that results
do not depend on how the samples are cut into blocks."""

FINE: Final = round(FINE_WINDOW_S / HOP_S / HOPS)
SPREAD: Final = round(SPREAD_WINDOW_S / HOP_S / HOPS)


@dataclass(frozen=True, slots=True, eq=False)
class ToneLevels:
    """What is known of the tone after a measurement; arrays of shape (inputs,), NaN where there is no tone."""

    hz: float
    elapsed_s: float
    level_dbfs: NDArray[np.float64]
    fine_dbfs: NDArray[np.float64]
    spread_db: NDArray[np.float64]
    share: NDArray[np.float64]
    phase_rad: NDArray[np.float64]


class ToneTracker:
    """Finds the tone, follows it, and measures it on every input.

    Parameters
    ----------
    sample_rate_hz : int
    inputs : int
    hop_frames : int
    """

    def __init__(self, sample_rate_hz: int, inputs: int, hop_frames: int) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._inputs = inputs
        self._hop_frames = hop_frames
        self._hop_s = hop_frames / sample_rate_hz
        self._finder = ToneFinder(sample_rate_hz)
        self._quadrature = Quadrature(sample_rate_hz, hop_frames)
        self._searched: deque[NDArray[np.float32]] = deque(maxlen=math.ceil(self._finder.frames / hop_frames / HOPS))
        longest_hops = 2 * math.ceil(PERIODS / 15.0 / self._hop_s) + 1
        self._detected: History[np.complex128] = History(longest_hops, inputs, np.complex128)
        self._power: History[np.float64] = History(longest_hops // HOPS + 1, inputs, np.float64)
        self._levels = MovingMoments(SPREAD, inputs)
        self._tuned: deque[float] = deque(maxlen=HOPS + 2)
        self._heard_hz: deque[float] = deque(maxlen=FINE)
        self._silent = np.full(inputs, math.nan)
        self._carries = np.zeros(inputs, dtype=bool)
        self._number = 0
        self._lock(None)

    def _lock(self, hz: float | None) -> None:
        self._locked = hz is not None
        self._hops = 0
        self._missing_s = 0.0
        self._before: NDArray[np.complex128] | None = None
        self._last_turned = 0.0
        self._carries[:] = self._locked
        self._searched.clear()
        self._detected.clear()
        self._levels.clear()
        self._heard_hz.clear()
        self._lattice: RectifierLattice | None = None
        if hz is not None:
            self._tune(hz)
        self._rad_per_frame = self._quadrature.rad_per_frame

    def _tune(self, hz: float) -> None:
        # Hops that were detected before keep their phase: it is the tone's at their centre, whatever the tuning.
        self._quadrature.tune(hz)
        periods_hops = math.ceil(PERIODS / hz / self._hop_s)
        self._window_hops = 1 if hz >= WHOLE_HOP_HZ * 0.98 else periods_hops + 1 - periods_hops % 2
        weights = np.hanning(self._window_hops + 2)[1:-1]
        self._weights = weights / weights.sum()
        self._places = np.arange(self._window_hops) - self._window_hops // 2
        lattice = RectifierLattice(self._quadrature.rad_per_frame, self._sample_rate_hz, self._quadrature.hop_frames)
        self._lattice = lattice if lattice and self._window_hops == 1 else None

    def push(self, samples: NDArray[np.float32], power: NDArray[np.float64]) -> ToneLevels:
        """Take the samples of a measurement, shape (`HOPS` · hop_frames, inputs), and their mean square."""
        self._power.append(power)
        self._number += 1
        turn = self._number % TURN == 0
        if not self._locked:
            self._searched.append(samples.copy())
            if turn and len(self._searched) == self._searched.maxlen and power.max() >= LEAST_RMS**2 / 10.0:
                self._lock(self._finder.find(np.concatenate(self._searched)[-self._finder.frames :]))
            return self._nothing()
        if turn and self._heard_hz and abs(self._mean_hz() - self._quadrature.hz) > RETUNE_HZ:
            self._tune(self._mean_hz())
        for start in range(0, HOPS * self._hop_frames, self._hop_frames):
            self._detected.append(self._quadrature.detect(samples[start : start + self._hop_frames]))
            self._tuned.append(self._quadrature.rad_per_frame)
        self._hops += HOPS
        return self._measured() if self._hops >= max(self._window_hops, HOPS + 2) else self._nothing()

    def excess(self) -> NDArray[np.float64] | None:
        """Return by how much the rectified mean of the last samples is wrong, where the tone lies on the lattice."""
        if self._lattice is None or self._hops == 0:
            return None
        hops = self._detected.last(HOPS)
        # Flutter moves a term on the lattice several times as far as the tone: what was measured last is too old.
        turned = self._turned(hops[-1], hops[-2], 1)
        carried = np.where(self._carries, hops, 0.0)
        first, second = (self._lattice.excess(hop, turned) for hop in carried)
        return 0.5 * (first + second)

    def _measured(self) -> ToneLevels:
        tone, amplitude = self._single_hops() if self._window_hops == 1 else self._summed_hops()
        pieces = max(1, self._window_hops // HOPS)
        power = self._power.last(pieces).sum(axis=0) / pieces
        share = np.minimum(0.5 * amplitude**2 / np.maximum(power, 1e-30), 1.0)
        self._carries = (share >= HELD_SHARE) & (power >= LEAST_RMS**2 / 2.0)
        if not self._carries.any():
            self._missing_s += HOPS * self._hop_s
            if self._missing_s >= LOST_S:
                self._lock(None)
                return self._nothing()
        else:
            self._missing_s = 0.0
            self._heard_hz.append(self._rad_per_frame * self._sample_rate_hz / (2.0 * math.pi))
        level = np.where(self._carries, 20.0 * np.log10(np.maximum(amplitude, 1e-10)), math.nan)
        self._levels.push(level)
        return self._said(tone, level, share)

    def _nothing(self) -> ToneLevels:
        silent = self._silent
        return ToneLevels(0.0, 0.0, silent, silent, silent, np.zeros(self._inputs), silent)

    def _said(self, tone: NDArray[np.complex128], level: NDArray[np.float64], share: NDArray[np.float64]) -> ToneLevels:
        first = tone[np.argmax(self._carries)]
        return ToneLevels(
            hz=self._mean_hz() if self._heard_hz else 0.0,
            elapsed_s=self._hops * self._hop_s,
            level_dbfs=level,
            fine_dbfs=self._levels.mean(FINE),
            spread_db=self._levels.deviation(SPREAD),
            share=share,
            phase_rad=np.where(self._carries, np.angle(tone * first.conjugate()), math.nan),
        )

    def _mean_hz(self) -> float:
        return sum(self._heard_hz) / len(self._heard_hz)

    def _single_hops(self) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
        """Level from each hop by itself, so that no turn of the phase from hop to hop can lower it.

        The newest hop waits for the next measurement: what each hop's frequency was is seen from its neighbours.
        """
        hops = self._detected.last(HOPS + 2)
        upright = self._quadrature.upright(hops)
        turned = [self._last_turned or self._turned(upright[1], upright[0], 1)]
        turned += [self._turned(now, before, 1) for before, now in pairwise(upright[1:])]
        self._last_turned = turned[-1]
        size = np.zeros(self._inputs)
        for place in range(1, HOPS + 1):
            self._rad_per_frame = 0.5 * (turned[place - 1] + turned[place])
            tone = self._quadrature.amplitude(hops[place], self._rad_per_frame - self._tuned[place])
            size += np.abs(tone)
        return tone, size * (2.0 / HOPS)

    def _summed_hops(self) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
        """Level from a window of hops, each turned back to the phase at the centre of the window."""
        quadrature = self._quadrature
        turn = self._rad_per_frame * quadrature.hop_frames
        summed = (self._weights * np.exp(-1j * turn * self._places)) @ self._detected.last(self._window_hops)
        image = float(self._weights @ np.cos(2.0 * turn * self._places))
        tone = quadrature.amplitude(summed, self._rad_per_frame - quadrature.rad_per_frame, 1.0, image)
        if self._before is not None:
            self._rad_per_frame = self._turned(tone, self._before, HOPS)
        self._before = tone
        return tone, 2.0 * np.abs(tone)

    def _turned(self, now: NDArray[np.complex128], before: NDArray[np.complex128], hops: int) -> float:
        """Return the frequency in radians a frame that the turn of the phase over so many hops tells.

        All inputs together, each by its power.
        """
        turned = complex(np.vdot(before * self._carries, now))
        if turned == 0.0:
            return self._rad_per_frame
        frames = hops * self._quadrature.hop_frames
        expected = self._quadrature.rad_per_frame
        return expected + cmath.phase(turned * cmath.exp(-1j * expected * frames)) / frames
