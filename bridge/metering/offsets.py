"""What the inputs of an interface differ by: levels while one tone is fed to all of them in; an offset each out."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.metering.levels import Column, Levels

STEADY_DB: Final = 0.02
"""A tone from a generator stands still; what wanders more is a tape, and its wander would go into the offsets."""

FAR_DB: Final = 3.0
"""Inputs of one interface differ by tenths of a dB: more than this is another gain setting or a bad lead."""


class OffsetError(Exception):
    """The levels do not tell the offsets. The message says why and what to do, in one line."""


@dataclass(frozen=True, slots=True)
class InputOffset:
    """What has to be added to the level of one input, and how steady that level was."""

    input: int
    level_dbfs: float
    offset_db: float
    spread_db: float


class OffsetMeasurement:
    """Collects levels for some seconds.

    Parameters
    ----------
    inputs : sequence of int
        Numbers of the inputs in the columns of the levels.
    seconds : float
        How much tone is wanted.
    """

    def __init__(self, inputs: Sequence[int], seconds: float) -> None:
        self._inputs = tuple(inputs)
        self._wanted = math.ceil(seconds * 100.0)
        self._rows: list[Column] = []
        self._clipped = np.zeros(len(self._inputs), dtype=bool)
        self._heard = np.zeros(len(self._inputs), dtype=bool)

    def push(self, levels: Levels) -> bool:
        """Take the next levels; return whether there are enough.

        Counting starts anew when the tone breaks off or reaches one more input: leads are plugged one by one.
        """
        heard = ~np.isnan(levels.fine_dbfs)
        if (heard != self._heard).any():
            self._heard = heard
            self._rows.clear()
            self._clipped[:] = False
        if heard.any():
            self._rows.append(levels.tone_dbfs)
            self._clipped |= levels.clipped
        return len(self._rows) >= self._wanted

    def result(self, level_dbfs: float | None) -> tuple[InputOffset, ...]:
        """Return the offset of each input.

        Parameters
        ----------
        level_dbfs : float or None
            What every input should read; None takes the mean of all.

        Raises
        ------
        OffsetError
            When there was no tone, or an input had none, clipped, wandered or lies far from the others.
        """
        if len(self._rows) < self._wanted:
            raise OffsetError("no steady tone came: feed one tone, 1 kHz is usual, to all inputs at once")
        rows = np.stack(self._rows)
        mean, spread = rows.mean(axis=0), rows.std(axis=0, ddof=1)
        for at_fault, what in (
            (np.isnan(mean), "without the tone: feed it to all inputs at once"),
            (self._clipped, "clipping: lower the tone"),
            (spread > STEADY_DB, "with an unsteady tone: take it from a generator, not from tape"),
            (np.abs(mean - np.median(mean)) > FAR_DB, f"more than {FAR_DB:g} dB off the others: look at gain and lead"),
        ):
            if at_fault.any():
                named = ", ".join(str(number) for number, wrong in zip(self._inputs, at_fault, strict=True) if wrong)
                raise OffsetError(f"input {named} {what}")
        wanted = float(mean.mean()) if level_dbfs is None else level_dbfs
        return tuple(
            InputOffset(number, float(level), wanted - float(level), float(unsteady))
            for number, level, unsteady in zip(self._inputs, mean, spread, strict=True)
        )
