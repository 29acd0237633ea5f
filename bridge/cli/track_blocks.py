"""The tracks in a terminal: readings in; lines that fit it, a track out of none left away silently, out.

Position is drawn on a strip with the target in the middle and the tolerance around it, so that size and sign are seen
from across the room; no colour carries anything that a word or a sign does not carry too. Where a window is too low
for one track below the other, they stand in blocks side by side, and give up first spread and VU, then the strip.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rich.text import Text

from bridge.readings import Frame, Reading
from bridge.units import UNKNOWN, signed
from bridge.words import STATES, WAYS, Sign

HALF_CELLS: Final = 18
"""Most cells of the strip to either side of the target."""

LEAST_STRIP: Final = 9
"""With fewer cells, a strip is no better than its sign."""

RANGE_DB: Final = 3.0
"""What the strip shows to either side; beyond it an arrow stands at its end."""

GAP: Final = 2
_BARE: Final = 19
_SHORT: Final = 26
_FULL: Final = 39
"""Columns that a block takes without its strip: track, dB and state; with the way to turn; with spread and VU."""


@dataclass(frozen=True, slots=True)
class _Block:
    """How a track is written: in how many columns, with what, and how far its strip goes to either side."""

    width: int
    is_full: bool
    half: int

    @classmethod
    def of_width(cls, width: int) -> "_Block":
        is_full = width >= _FULL + LEAST_STRIP
        strip_cells = width - (_FULL if is_full else _SHORT)
        half = min(HALF_CELLS, (strip_cells - 1) // 2) if strip_cells >= LEAST_STRIP else 0
        used = (_FULL if is_full else _SHORT) + 2 * half + 1 if half else _BARE
        return cls(used, is_full, half)

    def heading(self) -> Text:
        if not self.half:
            return Text(f"{'':3} {'dB':>6} {'state':8}")
        middle = f"{'':3} {'dB':>6} {'turn':5} {'target':^{2 * self.half + 1}}"
        return Text(f"{middle} {'sprd':>5} {'VU':>6} {'state':8}" if self.is_full else f"{middle} {'state':8}")

    def line(self, reading: Reading, tolerance_db: float, *, is_judged: bool, is_right: bool, in_focus: bool) -> Text:
        quiet = reading.state == "quiet"
        deviation_db = reading.deviation_db if math.isnan(reading.fine_db) else reading.fine_db
        unknown = quiet or math.isnan(deviation_db)
        said = UNKNOWN if unknown else signed(deviation_db)
        out = Text(f"{'▸' if in_focus else ' '}{reading.track:>2} ")
        out.append(f"{said:>6}", style="bold")
        if self.half:
            # Bias has no tolerance to be within.
            edge_db = tolerance_db if is_judged else 0.0
            way = "" if unknown else direction(deviation_db, edge_db, is_right=is_right)
            out.append(f" {way:5} {strip(math.nan if unknown else deviation_db, tolerance_db, self.half)}")
        if self.half and self.is_full:
            spread = "" if math.isnan(reading.spread_db) else f"±{reading.spread_db:.2f}"
            out.append(f" {spread:>5} {_vu(reading):>6}")
        out.append(f" {STATES[reading.state]:8}")
        return out


def track_lines(frame: Frame, columns: int, rows: int) -> list[Text]:
    """Return the tracks as at most so many lines, the heading included; what does not fit is said in the last.

    Parameters
    ----------
    frame : Frame
    columns, rows : int
        What there is of the terminal, 1 or more.
    """
    readings, tolerance_db = frame.readings, frame.step.tolerance_db
    below = max(1, rows - 1)
    most = max(1, (columns + GAP) // (_BARE + GAP))
    side_by_side = min(max(1, math.ceil(len(readings) / below)), most)
    left_out = max(0, len(readings) - side_by_side * below)
    if left_out:
        below = max(1, below - 1)
        left_out = len(readings) - side_by_side * below
    shown = readings[: side_by_side * below]
    block = _Block.of_width((columns + GAP) // side_by_side - GAP)
    height = math.ceil(len(shown) / side_by_side)
    lines = [_beside([block.heading()] * math.ceil(len(shown) / max(1, height)))]
    for row in range(height):
        here = (
            block.line(
                one,
                tolerance_db,
                is_judged=frame.step.adjustment != "bias",
                is_right=one.track in frame.right_tracks,
                in_focus=one.track == frame.focus_track,
            )
            for one in shown[row::height]
        )
        lines.append(_beside(list(here)))
    if left_out:
        lines.append(Text(f"{left_out} more tracks: make the window larger", style="bold"))
    return lines


def _beside(parts: Sequence[Text]) -> Text:
    return Text(" " * GAP).join(parts)


def _vu(reading: Reading) -> str:
    return UNKNOWN if reading.vu < -60.0 else signed(reading.vu)


def direction(deviation_db: float, tolerance_db: float, *, is_right: bool) -> str:
    """Return which way to turn: ``up``, ``down``, to leave it, or to wait until that is sure."""
    sign: Sign = "high" if deviation_db > 0.0 else "low"
    if is_right:
        sign = "right"
    elif abs(deviation_db) <= tolerance_db:
        sign = "unsure"
    return WAYS[sign].turn.removeprefix("turn ")


def strip(deviation_db: float, tolerance_db: float, half: int = HALF_CELLS) -> str:
    """Return the position of a deviation as text: the target in the middle, the tolerance as a thick line."""
    cells = ["─"] * (2 * half + 1)
    zone = min(half, round(tolerance_db / RANGE_DB * half))
    cells[half - zone : half + zone + 1] = ["━"] * (2 * zone + 1)
    cells[half] = "┿"
    if not math.isnan(deviation_db):
        cell = half + round(deviation_db / RANGE_DB * half)
        if cell < 0:
            cells[0] = "◀"
        elif cell >= len(cells):
            cells[-1] = "▶"
        else:
            cells[cell] = "●"
    return "".join(cells)
