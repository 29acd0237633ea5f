"""Which input is which track: a person sends a tone out of one track after the other and sees which input moves."""

from collections.abc import Sequence
from functools import partial
from typing import Final

from bridge.cli.level_meter import Levels
from bridge.cli.questions import Questions

MOVED_DB: Final = 10.0
"""An input that has risen by so much has a tone that it had not before: more than hum and hiss vary."""

FLOOR_DBFS: Final = -60.0
ROWS: Final = 16
BAR: Final = 12
"""Inputs stand in columns of 16, each with a bar from -60 to 0 dBFS."""


def find_inputs(asked: Questions, tracks: int, levels: Levels) -> list[int]:
    """Return the input of each track, track 1 first.

    Parameters
    ----------
    asked : Questions
        Whoever sends the tones and answers.
    tracks : int
        How many tracks are patched.
    levels : callable
        The levels of all inputs now, dBFS.
    """
    asked.console.say("Send a tone out of one track after the other, and see which input moves.")
    asked.console.say("Enter takes the input marked <; or type its number.")
    found: list[int] = []
    for track in range(1, tracks + 1):
        found.append(asked.until_right(partial(_input, asked, track, _Listener(levels), found)))
    return found


class _Listener:
    """Follows how far each input has risen above its lowest level."""

    def __init__(self, levels: Levels) -> None:
        self._levels = levels
        self._lowest = list(levels())

    def now(self) -> tuple[Sequence[float], int | None]:
        """Return the levels, and the loudest of the inputs that have risen."""
        levels = self._levels()
        self._lowest = list(map(min, self._lowest, levels))
        risen = [n for n, level in enumerate(levels) if level - max(self._lowest[n], FLOOR_DBFS) >= MOVED_DB]
        return levels, max(risen, key=lambda n: levels[n]) + 1 if risen else None

    def picture(self) -> list[str]:
        """Return the levels as lines, the input that has risen marked."""
        return picture(*self.now())


def _input(asked: Questions, track: int, heard: _Listener, found: Sequence[int]) -> int:
    said = asked.console.watch(heard.picture, f"Input of track {track}")
    levels, moved = heard.now()
    if not said and moved is None:
        raise ValueError("no input has moved; send the tone and press Enter, or type a number")
    number = int(said) if said.isdecimal() else 0 if said else moved or 0
    if not 1 <= number <= len(levels):
        raise ValueError(f"{number}: must be an input from 1 to {len(levels)}")
    if number in found:
        raise ValueError(f"input {number} is track {found.index(number) + 1} already")
    return number


def picture(levels: Sequence[float], moved: int | None) -> list[str]:
    """Return the levels as lines: in columns, a bar each, the input that moved marked."""
    cells = []
    for number, level in enumerate(levels, start=1):
        filled = round(BAR * (1.0 - min(max(level / FLOOR_DBFS, 0.0), 1.0)))
        mark = "<" if number == moved else " "
        cells.append(f"{number:3} {'#' * filled:.<{BAR}} {max(level, -99.9):6.1f} {mark}")
    return ["  ".join(cells[row::ROWS]) for row in range(min(ROWS, len(cells)))]
