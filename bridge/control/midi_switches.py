"""Foot switches and endless encoders: values of a controller in; presses and turns out. Time is an argument."""

from dataclasses import dataclass, field
from typing import Final, Literal

Encoder = Literal["two's complement", "offset 64", "sign and size"]


@dataclass(slots=True)
class Contact:
    """One contact, debounced.

    A contact bounces for some milliseconds each time that it closes or opens. So a change counts when the contact was
    at rest before, and what follows within ``debounce_s`` of any change is bouncing.

    Parameters
    ----------
    latching : bool
        A latching switch is on and off in turn, and each is an act; a momentary one acts when it closes.
    debounce_s : float
    """

    latching: bool
    debounce_s: float
    _closed: bool | None = field(default=None, init=False)
    _changed_s: float = field(default=float("-inf"), init=False)

    def moved(self, closed: bool, now_s: float) -> bool:
        """Take the position that the switch says. Return whether it acts."""
        before, self._closed = self._closed, closed
        if closed == before:
            return False
        at_rest = now_s - self._changed_s >= self.debounce_s
        self._changed_s = now_s
        if before is None:
            # Nothing was heard of it yet. That a momentary switch opens is the end of a press from before the start.
            return closed or self.latching
        return at_rest and (closed or self.latching)


def clicks(encoder: Encoder, value: int) -> int:
    """Return how far an endless encoder was turned, in clicks; negative to the left.

    Parameters
    ----------
    encoder : {"two's complement", "offset 64", "sign and size"}
        The seven-bit code: of one click to the left it makes 127, 63 or 65.
    value : int
        0 to 127.
    """
    if encoder == "offset 64":
        return value - 64
    if encoder == "sign and size":
        return 64 - value if value > 64 else value % 64
    return value - 128 if value >= 64 else value


AGAIN_S: Final = 0.5
"""A turn goes on from where it led, and not from what is shown, for so long: what is shown is a few frames old."""


@dataclass(slots=True)
class Turning:
    """Where a turn of an encoder leads among numbers that are there."""

    _number: int | None = field(default=None, init=False)
    _turned_s: float = field(default=float("-inf"), init=False)

    def turned(self, by: int, choices: tuple[int, ...], shown: int, now_s: float) -> int | None:
        """Return the number that it leads to; None when that is where it was. At both ends it stays.

        Parameters
        ----------
        by : int
            Clicks.
        choices : tuple of int
            What there is, in order.
        shown : int
            What is chosen now; the first click leads from nothing chosen to the first or the last.
        now_s : float
        """
        if not choices or not by:
            return None
        recent = now_s - self._turned_s < AGAIN_S and self._number in choices
        at = self._number if recent else shown
        self._turned_s = now_s
        if at in choices:
            position = min(max(choices.index(at) + by, 0), len(choices) - 1)
        else:
            position = min(by - 1, len(choices) - 1) if by > 0 else max(len(choices) + by, 0)
        self._number = choices[position]
        return None if self._number == at else self._number
