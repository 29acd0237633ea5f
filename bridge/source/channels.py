"""The channel map: from the numbers of the wanted inputs (1…) to the columns of what was captured, and to words.

The config asks here for limits, and commands that only read it shall not wait for NumPy.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from bridge.ranges import ranges

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MAX_INPUTS: Final = 64
"""How many inputs one source delivers."""

MAX_INPUT_NUMBER: Final = 1024
"""The highest input that can be asked for: as many channels as a sound file can have (libsndfile)."""


def checked_inputs(inputs: Sequence[int]) -> tuple[int, ...]:
    """Return the inputs as a tuple, after checking their count and range.

    Raises
    ------
    ValueError
        When there are none or more than 64, one is outside 1…1024, or one is named twice.
    """
    wanted = tuple(inputs)
    if not 1 <= len(wanted) <= MAX_INPUTS:
        raise ValueError(f"{len(wanted)} inputs are asked for; 1 to {MAX_INPUTS} are possible")
    outside = [number for number in wanted if not 1 <= number <= MAX_INPUT_NUMBER]
    if outside:
        raise ValueError(f"input {outside[0]} does not exist; inputs are numbered from 1 to {MAX_INPUT_NUMBER}")
    if len(set(wanted)) != len(wanted):
        twice = next(number for number in wanted if wanted.count(number) > 1)
        raise ValueError(f"input {twice} is asked for twice")
    return wanted


def channels_to_open(inputs: Sequence[int]) -> int:
    """Return how many channels must be opened so that the highest of ``inputs`` is among them."""
    return max(inputs)


def picked(samples: "NDArray[np.float32]", inputs: Sequence[int]) -> "NDArray[np.float32]":
    """Return a new array with the columns of ``inputs``, in their order.

    Parameters
    ----------
    samples : ndarray of float32, shape (frames, channels)
        Column 0 is input 1.
    inputs : sequence of int
        Numbers from 1 to ``channels``.

    Returns
    -------
    ndarray of float32, shape (frames, len(inputs)), C order
        Shares nothing with ``samples``.
    """
    first = inputs[0] - 1
    if all(number == first + 1 + column for column, number in enumerate(inputs)):
        return samples[:, first : first + len(inputs)].copy(order="C")
    return samples.take([number - 1 for number in inputs], axis=1)


def spoken(inputs: Sequence[int]) -> str:
    """Return the inputs for a person: ``input 3``, ``inputs 1-8, 12``."""
    return f"input {ranges(inputs)}" if len(inputs) == 1 else f"inputs {ranges(inputs)}"
