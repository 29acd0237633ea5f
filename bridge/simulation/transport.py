"""The transport: commands with the moment they are given go in, where the tape stands at any moment comes out.

Moments are counted in ticks of `TICK_S` from the start of the simulation; a command takes effect at the beginning of a
tick. Places are seconds of the tape's own running time (see `bridge.simulation.tape`).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from bridge.simulation.arrays import Floats
from bridge.simulation.flutter import Flutter, FlutterTable

TICKS_PER_S: Final = 100
TICK_S: Final = 1.0 / TICKS_PER_S
"""The beat of the simulation. Every usual sample rate is a whole number of frames a tick."""

WINDING: Final = 30.0
"""Winding is this many times as fast as play: common practice, no source."""

START_UP_S: Final = 0.12
"""Time constant with which the tape comes up to speed: common practice, no source."""

Motion = Literal["play", "stop", "wind"]


@dataclass(frozen=True, slots=True)
class Segment:
    """The tape doing one thing from ``start_tick`` on.

    ``rate`` is tape seconds a second (1 at nominal speed); ``from_rest`` whether it has to come up to speed first.
    """

    start_tick: int
    motion: Motion
    position_s: float
    rate: float = 0.0
    from_rest: bool = False


class Transport:
    """Where the tape is.

    Parameters
    ----------
    flutter : Flutter
    length_s : float
        Length of the tape; beyond its ends it does not move.
    rate : float
        Tape seconds a second in play: speed of the machine / speed of the tape, times 1 + speed error.
    """

    def __init__(self, flutter: Flutter, length_s: float, rate: float) -> None:
        self._flutter = flutter
        self._length_s = length_s
        self._rate = rate
        self._segments = [Segment(0, "stop", 0.0)]

    def play(self, at_tick: int) -> None:
        """Play from where the tape stands."""
        before = self.segment(at_tick)
        if before.motion != "play":
            self._put(Segment(at_tick, "play", self._place(at_tick), self._rate, from_rest=True))

    def stop(self, at_tick: int) -> None:
        """Stop the tape where it stands."""
        self._put(Segment(at_tick, "stop", self._place(at_tick)))

    def locate(self, position_s: float, at_tick: int, *, then_play: bool = True) -> int:
        """Wind to a place, then play or stop; return the tick of the arrival."""
        here_s = self._place(at_tick)
        there_s = min(max(position_s, 0.0), self._length_s)
        ticks = math.ceil(abs(there_s - here_s) / WINDING * TICKS_PER_S)
        arrival = at_tick + ticks
        if ticks:
            self._put(Segment(at_tick, "wind", here_s, (there_s - here_s) / (ticks * TICK_S)))
        self._put(
            Segment(arrival, "play", there_s, self._rate, from_rest=True)
            if then_play
            else Segment(arrival, "stop", there_s)
        )
        return arrival

    def jump(self, position_s: float, at_tick: int) -> None:
        """Go on playing from another place at once, as if the tape were spliced together there."""
        self._put(Segment(at_tick, "play", min(max(position_s, 0.0), self._length_s), self._rate))

    def segment(self, tick: int) -> Segment:
        """Return what the tape does in a tick."""
        for segment in reversed(self._segments):
            if segment.start_tick <= tick:
                return segment
        raise ValueError(f"there is no tick {tick}")

    def runs(self, first_tick: int, ticks: int) -> Iterator[tuple[Segment, int, int]]:
        """Yield (segment, first tick, ticks) for the stretches of one motion that make up a range of ticks."""
        end = first_tick + ticks
        for segment, following in zip(self._segments, [*self._segments[1:], None], strict=True):
            start = max(first_tick, segment.start_tick)
            stop = min(end, following.start_tick) if following else end
            if start < stop:
                yield segment, start, stop - start

    def positions_s(self, segment: Segment, seconds: Floats) -> Floats:
        """Return where the tape is at moments within one segment."""
        start_s = segment.start_tick * TICK_S
        ahead_s: Floats | float = 0.0
        if segment.motion == "play" and not self._flutter.quiet:
            ahead_s = self._flutter.ahead_s(seconds) - self._flutter.ahead_s(np.array(start_s))
        return self._along(segment, seconds - start_s, ahead_s)

    def positions_in_tick_s(self, segment: Segment, start_s: float, offsets_s: Floats, table: FlutterTable) -> Floats:
        """Return the same at the offsets from ``start_s`` that ``table`` was made for."""
        begun_s = segment.start_tick * TICK_S
        ahead_s: Floats | float = 0.0
        if segment.motion == "play" and not self._flutter.quiet:
            ahead_s = table.ahead_s(start_s) - self._flutter.ahead_s(np.array(begun_s))
        return self._along(segment, start_s - begun_s + offsets_s, ahead_s)

    def _along(self, segment: Segment, elapsed_s: Floats, ahead_s: Floats | float) -> Floats:
        run_s = elapsed_s + ahead_s
        if segment.from_rest:
            run_s = run_s + START_UP_S * np.expm1(-elapsed_s / START_UP_S)
        return np.clip(segment.position_s + segment.rate * run_s, 0.0, self._length_s)

    def _place(self, tick: int) -> float:
        """Return where the tape is at the beginning of a tick, as left by the tick before."""
        segment = self.segment(max(tick - 1, 0))
        return float(self.positions_s(segment, np.array([tick * TICK_S]))[0])

    def _put(self, segment: Segment) -> None:
        """Let a segment begin; what was planned for later is given up."""
        while self._segments and self._segments[-1].start_tick >= segment.start_tick:
            self._segments.pop()
        self._segments.append(segment)
