"""A block of samples, and the contract that every source of blocks keeps."""

from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

LARGEST: Final = 1e4
"""Largest sample that is delivered, +80 dBFS: gains and mixes in floating point reach some tens of dB; what is beyond
is no sound, and would hold the needles up for seconds."""


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Consecutive samples of all inputs.

    Parameters
    ----------
    samples : ndarray of float32, shape (frames, inputs), C order
        Full scale is ±1.0; all are finite, within ±`LARGEST`. Column k is the k-th input of the source's ``inputs``.
        The receiver owns the array.
    first_frame : int
        Number of the first sample since the start of the source. Lost samples are counted: a gap in the numbers is a
        gap in the sound.
    captured_ns : int
        Unix time in nanoseconds at which the last sample was captured. Strictly increasing from block to block.
    """

    samples: NDArray[np.float32]
    first_frame: int
    captured_ns: int

    @property
    def end_frame(self) -> int:
        """Number of the first sample after this block."""
        return self.first_frame + len(self.samples)


@dataclass(frozen=True, slots=True)
class Losses:
    """What went wrong with a stream, counted since its start.

    Parameters
    ----------
    overruns : int
        How often samples were lost, or the driver said so.
    frames : int
        Frames lost, nearly always to overruns, and then skipped in ``Block.first_frame``.
    clock_steps : int
        How often the time stamps left their even course: the computer's clock was set, or frames vanished uncounted.
    """

    overruns: int = 0
    frames: int = 0
    clock_steps: int = 0

    def __add__(self, other: "Losses") -> "Losses":
        """Return both together."""
        return Losses(self.overruns + other.overruns, self.frames + other.frames, self.clock_steps + other.clock_steps)


class Source(Protocol):
    """A stream of blocks. Made stopped; ``start`` once; ``read`` after it, from one thread.

    ``stop`` may come at any time, from any thread, and again; it ends a ``start`` or ``read`` that is waiting.
    """

    @property
    def sample_rate_hz(self) -> int:
        """Samples a second of each input."""
        ...

    @property
    def inputs(self) -> tuple[int, ...]:
        """Numbers (1…) of the inputs in the columns of each block, in that order."""
        ...

    @property
    def description(self) -> str:
        """What this is, for a person: one line."""
        ...

    @property
    def losses(self) -> Losses:
        """What went wrong since the start."""
        ...

    def start(self) -> None:
        """Begin to deliver.

        Raises
        ------
        SourceLostError
            When the device or file cannot be opened.
        """
        ...

    def read(self, timeout_s: float) -> Block | None:
        """Return the next block, or None when none came within ``timeout_s``.

        Raises
        ------
        SourceLostError
            When the source is gone (device unplugged, server stopped, no samples for 0.5 s), is not started, or was
            stopped.
        EOFError
            When a recording or a finite simulation has delivered its last sample.
        """
        ...

    def stop(self) -> None:
        """Stop and release everything, within 1 s, also after a loss. Never raises."""
        ...
