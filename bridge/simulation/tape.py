"""What is on the tape, in order: a calibration tape goes in, the passages that a head meets come out.

A place on the tape is given in seconds of running time at the tape's own speed, from its beginning. Which way and how
fast the tape runs past the head is the transport's business.
"""

import math
from dataclasses import dataclass, replace
from typing import Final, Literal, Self

import numpy as np

from bridge.simulation.arrays import Floats, Samples
from bridge.tape.calibration_tape import CalibrationTape

Kind = Literal["tone", "sweep", "sound", "pause"]

EDGE_S: Final = 0.005
"""A passage is faded in and out over this long: common practice, no source; a hard edge would click."""


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """Recorded sound for announcements or music: mono samples, scaled to an rms of 1/sqrt(2) as a full-scale sine has.

    Parameters
    ----------
    samples : ndarray of float32, shape (frames,)
    sample_rate_hz : int
    """

    samples: Samples
    sample_rate_hz: int

    def __post_init__(self) -> None:
        rms = float(np.sqrt(np.mean(self.samples.astype(np.float64) ** 2))) if self.samples.size else 0.0
        if self.samples.ndim != 1 or rms == 0.0 or not np.isfinite(rms):
            raise ValueError("a sound must be one row of finite samples that are not all zero")
        object.__setattr__(self, "samples", (self.samples / (rms * np.sqrt(2.0))).astype(np.float32))

    @property
    def seconds(self) -> float:
        """How long it is."""
        return float(self.samples.size) / self.sample_rate_hz

    def at(self, seconds: Floats) -> Floats:
        """Return the sound at moments from its beginning, between samples on a straight line; 0 outside."""
        place = seconds * self.sample_rate_hz
        inside = (place >= 0.0) & (place <= self.samples.size - 1)
        before = np.clip(np.floor(place).astype(np.intp), 0, max(self.samples.size - 2, 0))
        after = np.minimum(before + 1, self.samples.size - 1)
        share = place - before
        heard: Floats = inside * (self.samples[before] * (1.0 - share) + self.samples[after] * share)
        return heard


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """A stretch of tape with one thing on it.

    ``level_db`` is relative to the tape's reference fluxivity; of a sound it is the level of its rms value. A sweep
    runs from ``hz`` to ``to_hz``, the same ratio in the same time.
    """

    kind: Kind
    seconds: float
    hz: float = 0.0
    level_db: float = 0.0
    to_hz: float = 0.0
    sound: Sound | None = None
    start_s: float = 0.0

    @property
    def end_s(self) -> float:
        """Where it ends on the tape."""
        return self.start_s + self.seconds

    def gate(self, positions_s: Floats) -> Floats:
        """Return how far the passage is faded in at each place, 0…1."""
        inside = np.minimum(positions_s - self.start_s, self.end_s - positions_s)
        faded: Floats = 0.5 - 0.5 * np.cos(np.pi * np.clip(inside / EDGE_S, 0.0, 1.0))
        return faded

    def cycles(self, positions_s: Floats) -> Floats:
        """Return the phase of a tone or sweep in cycles since its beginning."""
        elapsed_s = positions_s - self.start_s
        if self.kind == "sweep":
            growth = math.log(self.to_hz / self.hz) / self.seconds
            return self.hz * np.expm1(growth * elapsed_s) / growth
        return self.hz * elapsed_s

    def hz_at(self, position_s: float) -> float:
        """Return the recorded frequency at a place."""
        if self.kind == "sweep":
            return float(self.hz * (self.to_hz / self.hz) ** ((position_s - self.start_s) / self.seconds))
        return self.hz


class TapeContent:
    """The passages of a tape, one behind the other.

    Parameters
    ----------
    passages : sequence of Passage
        In order; where each starts is worked out here.
    """

    def __init__(self, passages: list[Passage] | tuple[Passage, ...]) -> None:
        if not passages:
            raise ValueError("a tape must have at least one passage")
        placed: list[Passage] = []
        start_s = 0.0
        for passage in passages:
            if not passage.seconds > 0.0:
                raise ValueError(f"a passage must last longer than 0 s, not {passage.seconds:g} s")
            placed.append(replace(passage, start_s=start_s))
            start_s = placed[-1].end_s
        self.passages: Final = tuple(placed)
        self.length_s: Final = start_s
        self._ends_s: Floats = np.array([passage.end_s for passage in placed])

    @classmethod
    def laid_out(
        cls,
        tape: CalibrationTape,
        *,
        announcements: tuple[Sound, ...] = (),
        announcement_db: float = -10.0,
        leader_s: float = 2.0,
        pause_s: float = 1.5,
    ) -> Self:
        """Return a calibration tape as it is spliced together: leader, then for each tone announcement, pause, tone.

        Announcements are used in turn; without any, a pause of 2 s stands where a voice would be. The lengths and the
        level of the voice are common practice, no source.
        """
        passages = [Passage("pause", leader_s)]
        for number, tone in enumerate(tape.tones):
            if announcements:
                sound = announcements[number % len(announcements)]
                passages.append(Passage("sound", sound.seconds, level_db=announcement_db, sound=sound))
            else:
                passages.append(Passage("pause", 2.0))
            passages.append(Passage("pause", pause_s))
            passages.append(Passage("tone", tone.seconds, tone.hz, tone.level_db))
        passages.append(Passage("pause", pause_s))
        return cls(passages)

    def between(self, first_s: float, last_s: float) -> tuple[Passage, ...]:
        """Return the passages that lie between two places, pauses included."""
        low, high = min(first_s, last_s), max(first_s, last_s)
        start = int(np.searchsorted(self._ends_s, low, side="right"))
        stop = int(np.searchsorted(self._ends_s, high, side="right"))
        return self.passages[start : stop + 1]

    def tone(self, hz: float, after_s: float = -1.0) -> Passage:
        """Return the first passage with the tone of this frequency that ends after a place, else the first of all.

        Raises
        ------
        LookupError
            When the tape does not have this tone.
        """
        found = [passage for passage in self.passages if passage.kind == "tone" and abs(passage.hz - hz) <= 0.02 * hz]
        if not found:
            raise LookupError(f"the tape has no tone of {hz:g} Hz")
        return next((passage for passage in found if passage.end_s > after_s), found[0])

    def before(self, passage: Passage) -> float:
        """Return where the announcement or pause before a tone begins: the place to which one winds."""
        index = self.passages.index(passage)
        while index > 0 and self.passages[index - 1].kind in ("pause", "sound"):
            index -= 1
        return self.passages[index].start_s if index > 0 else 0.0
