"""The tone: frequency, share and level of all tracks go in; that a tone of the plan has begun or ended comes out.

A tone of a calibration tape stands: its frequency keeps within the flutter of the tape, its level within wander, and
most tracks have it. Speech, music, sweeps and noise do not. What it is called follows from the nearest tone of the
plan; how far it lies beside that is the speed error.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.metering.history import History
from bridge.procedure.blocks import Floats
from bridge.tape.calibration_tape import SAME_TONE

UPDATES_A_LOOK: Final = 10
"""Ten looks a second are enough for what has to stand for nearly one."""

STANDS_LOOKS: Final = 8
"""A tone stands for 0.8 s before it is one: a vowel or a held note seldom does, and with flutter it is the time over
which a frequency can be told to 0.1 %."""

STEADY: Final = 0.005
"""Range of frequency within that time, as a fraction: flutter of a poor machine (0.2 % weighted peak) stays below,
speech and sweeps of an octave in 80 s do not."""

CREEP: Final = 0.0015
"""How far the second half of that time may lie from the first, as a fraction: a slow sweep creeps on, flutter does not
(reel and capstan turn at least once in the time)."""

STEADY_DB: Final = 1.5
"""Range of level of the middle track within that time. A hand is on one track or two, a tone that is spoken or played
swells on all."""

LEAST_SHARE: Final = 0.8
"""A track has the tone when so much of its power is in it: the noise of a tape at −10 dB is far below that."""

MOST: Final = 0.5
"""The tone plays on at least this share of the tracks that are not silent."""

SILENT_DBFS: Final = -65.0
"""A track below that is not connected, or dead; it has no say."""

BREAK_S: Final = 0.6
"""A tone that is away for less than this has dropped out, and was not ended: dropouts are shorter."""

NEAR: Final = 0.03
"""A tone of the plan this near, as a fraction, may be meant: 1 % speed error and as much again, while neighbours in
third octaves are 26 % apart and 15 kHz and 16 kHz 6.7 %."""

CLEARLY_NEARER: Final = 2.0
"""The nearest tone must be so many times nearer than the next, or it is a guess."""


@dataclass(frozen=True, slots=True)
class Tone:
    """A tone that stands.

    Parameters
    ----------
    hz : float
        As measured.
    nominal_hz : float or None
        The tone of the plan that it is; None when none is near or several are.
    candidates_hz : tuple of float
        All tones of the plan that it may be: none, one, or several, of which none is clearly nearer.
    speed_error_percent : float
        How far ``hz`` is above ``nominal_hz``; NaN when that is None.
    started_s : float
    """

    hz: float
    nominal_hz: float | None
    candidates_hz: tuple[float, ...]
    speed_error_percent: float
    started_s: float


@dataclass(frozen=True, slots=True)
class ToneStarted:
    """A tone stands."""

    tone: Tone
    told_s: float


@dataclass(frozen=True, slots=True)
class ToneEnded:
    """The tone that stood is over, or another is in its place."""

    tone: Tone
    ended_s: float


class ToneWatch:
    """Watches which tone plays.

    Parameters
    ----------
    plan_hz : iterable of float
        The tones to expect: those of the steps, and of the tape where they are known.
    tracks : int
    """

    def __init__(self, plan_hz: Iterable[float], tracks: int) -> None:
        self._plan_hz = _distinct(plan_hz)
        self._tracks = tracks
        self._sum_db = np.zeros(tracks)
        self._heard = np.zeros(tracks, dtype=np.int_)
        self._share = np.ones(tracks)
        self._hz_sum = 0.0
        self._updates = 0
        self._hz: History[np.float64] = History(STANDS_LOOKS, 1, np.float64, math.nan)
        self._level_db: History[np.float64] = History(STANDS_LOOKS, tracks, np.float64, math.nan)
        self._has_tone: History[np.bool_] = History(STANDS_LOOKS, tracks, np.bool_, 0.0)
        self._live = np.zeros(tracks, dtype=bool)
        self._ratio: float | None = None
        self._away_from_s: float | None = None
        self._tone: Tone | None = None

    @property
    def tone(self) -> Tone | None:
        """The tone that stands now."""
        return self._tone

    def push(
        self, t_s: float, tone_hz: float, tone_dbfs: Floats, tone_share: Floats, rms_dbfs: Floats
    ) -> tuple[ToneStarted | ToneEnded, ...]:
        """Take one update, 100 a second.

        Parameters
        ----------
        t_s : float
            Its time in seconds.
        tone_hz : float
            Frequency of whatever tone is there, 0 when none is.
        tone_dbfs, tone_share, rms_dbfs : ndarray, shape (tracks,)
            As in `bridge.metering.levels.Levels`.
        """
        events: list[ToneStarted | ToneEnded] = []
        ended = self._watch_end(t_s, tone_hz, tone_share)
        if ended is not None:
            events.append(ended)
        if tone_hz <= 0.0 or not math.isfinite(tone_hz):
            self._start_look()
            self._hz.clear()
            return tuple(events)
        heard = np.isfinite(tone_dbfs)
        self._sum_db += np.where(heard, tone_dbfs, 0.0)
        self._heard += heard
        np.minimum(self._share, tone_share, out=self._share)
        self._hz_sum += tone_hz
        self._updates += 1
        if self._updates == UPDATES_A_LOOK:
            self._live = rms_dbfs > SILENT_DBFS
            self._hz.append(np.array([self._hz_sum / UPDATES_A_LOOK]))
            with np.errstate(invalid="ignore"):
                self._level_db.append(np.where(self._heard > 0, self._sum_db / np.maximum(self._heard, 1), math.nan))
            self._has_tone.append(self._share >= LEAST_SHARE)
            self._start_look()
            if self._tone is None and self._stands():
                hz = float(np.mean(self._hz.last(STANDS_LOOKS)))
                self._tone = self._named(hz, t_s - STANDS_LOOKS * UPDATES_A_LOOK * 0.01)
                self._away_from_s = None
                events.append(ToneStarted(self._tone, t_s))
        return tuple(events)

    def _start_look(self) -> None:
        self._sum_db[:] = 0.0
        self._heard[:] = 0
        self._share[:] = 1.0
        self._hz_sum = 0.0
        self._updates = 0

    def _watch_end(self, t_s: float, tone_hz: float, tone_share: Floats) -> ToneEnded | None:
        tone = self._tone
        if tone is None:
            return None
        there = tone_hz > 0.0 and bool((tone_share >= 0.5 * LEAST_SHARE).any())
        another = there and abs(tone_hz / tone.hz - 1.0) > SAME_TONE
        if there and not another:
            self._away_from_s = None
            return None
        if self._away_from_s is None:
            self._away_from_s = t_s
        # The frequency of a tone that fades may stray for a moment; another tone stands.
        if t_s - self._away_from_s < (2.0 * UPDATES_A_LOOK * 0.01 if another else BREAK_S):
            return None
        self._tone = None
        ended = ToneEnded(tone, self._away_from_s)
        self._away_from_s = None
        return ended

    def _stands(self) -> bool:
        hz = self._hz.last(STANDS_LOOKS)[:, 0]
        if np.isnan(hz).any():
            return False
        middle = float(hz.mean())
        half = STANDS_LOOKS // 2
        if float(np.ptp(hz)) > STEADY * middle or abs(hz[half:].mean() - hz[:half].mean()) > CREEP * middle:
            return False
        has_tone = self._has_tone.last(STANDS_LOOKS).sum(axis=0) >= STANDS_LOOKS - 1
        live = self._live | has_tone
        if not has_tone.any() or has_tone.sum() < MOST * live.sum():
            return False
        level_db = self._level_db.last(STANDS_LOOKS)[:, has_tone]
        ranges_db = level_db.max(axis=0) - level_db.min(axis=0)
        # With one or two tracks a hand may be on the very one that is in the middle.
        return ranges_db.size < 3 or float(np.nanmedian(ranges_db)) <= STEADY_DB

    def _named(self, hz: float, started_s: float) -> Tone:
        near = sorted(
            (plan_hz for plan_hz in self._plan_hz if abs(hz / plan_hz - 1.0) <= NEAR),
            key=lambda plan_hz: self._distance(hz, plan_hz),
        )
        if not near:
            return Tone(hz, None, (), math.nan, started_s)
        if len(near) > 1 and self._distance(hz, near[1]) < CLEARLY_NEARER * self._distance(hz, near[0]) + 1e-4:
            return Tone(hz, None, tuple(near), math.nan, started_s)
        nominal_hz = near[0]
        self._ratio = hz / nominal_hz
        return Tone(hz, nominal_hz, (nominal_hz,), 100.0 * (hz / nominal_hz - 1.0), started_s)

    def _distance(self, hz: float, plan_hz: float) -> float:
        """Return how far a tone is from one of the plan, at the speed that the last tone told."""
        return abs(hz / plan_hz / (self._ratio or 1.0) - 1.0)


def _distinct(plan_hz: Iterable[float]) -> tuple[float, ...]:
    """Return frequencies in rising order, each once."""
    distinct: list[float] = []
    for hz in sorted(plan_hz):
        if not (hz > 0.0 and math.isfinite(hz)):
            raise ValueError(f"a tone must have a frequency above 0 Hz, not {hz:g}")
        if not distinct or hz / distinct[-1] > 1.0 + 1e-6:
            distinct.append(hz)
    return tuple(distinct)
