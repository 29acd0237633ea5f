"""A bank: the tracks that are patched to inputs at one time."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Bank:
    """One bank; ``tracks[k]`` is patched to ``inputs[k]``. Both count from 1, tracks in rising order.

    ``number`` counts from 1 in the order of the config.
    """

    number: int
    tracks: tuple[int, ...]
    inputs: tuple[int, ...]
