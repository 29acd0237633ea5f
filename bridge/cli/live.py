"""The live view in a terminal: frames in; a row a track out, with figure, direction, position and state.

Position is drawn on a strip with the target in the middle and the tolerance around it, so that size and sign are seen
from across the room; no colour carries anything that a word or a sign does not carry too.
"""

import math
import threading
from collections import deque
from collections.abc import Callable
from typing import Final

from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.table import Table
from rich.text import Text

from bridge.cli.figures import found_of, left_of, signed
from bridge.readings import Frame, Reading, StepReading, Trim

HALF_CELLS: Final = 18
"""Most cells of the strip to either side of the target."""

LEAST_HALF_CELLS: Final = 4

OTHER_COLUMNS: Final = 44
"""What the other columns take."""

RANGE_DB: Final = 3.0
"""What the strip shows to either side; beyond it an arrow stands at its end."""

MESSAGES: Final = 4


class LiveView:
    """Keeps the newest frame and draws it when asked. Frames may come from any thread."""

    def __init__(self, title: str) -> None:
        self._title = title
        self._frame: Frame | None = None
        self._trims: deque[str] = deque(maxlen=MESSAGES)
        self._logged = 0
        self._lock = threading.Lock()

    def publish(self, frame: Frame, now_s: float) -> None:  # noqa: ARG002 - the newest is all that is drawn
        """Take a frame."""
        self._frame = frame

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:  # noqa: ARG002 - drawn with the next frame
        """Take note of a trim that is in the log."""
        with self._lock:
            self._logged += 1
            self._trims.append(told(trim, trim_id))

    def say(self, text: str) -> None:
        """Show a message among the trims."""
        with self._lock:
            self._trims.append(text)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw, as wide as the terminal."""
        yield self.drawn(console.width)

    def drawn(self, columns: int) -> RenderableType:
        """Return the picture for a terminal of so many columns."""
        frame = self._frame
        if frame is None:
            return Text(f"{self._title}: waiting for the source")
        with self._lock:
            trims, logged = list(self._trims), self._logged
        # A window that is too low loses what stands at the bottom: what is wrong stands at the top.
        health = Text(health_line(frame, logged), style="bold" if frame.health.message else "")
        parts: list[RenderableType] = [Text(self._title, style="bold"), Text(headline(frame)), health]
        parts.append(_tracks(frame, half_cells(columns)))
        parts += [Text(line) for line in trims]
        return Group(*parts)


def told(trim: Trim, trim_id: str) -> str:
    """Return a logged trim as one line."""
    if trim.within_tolerance is None:
        verdict = "from its peak"
    else:
        verdict = f"{'within' if trim.within_tolerance else 'outside'} ±{trim.tolerance_db:g}"
    return f"logged {trim_id}: track {trim.track} {trim.adjustment}, {found_of(trim)} → {left_of(trim)} dB, {verdict}"


def headline(frame: Frame) -> str:
    """Return step, tone, bank and what holds the procedure, as one line."""
    tone = f"tone {frame.tone_hz:.1f} Hz" if frame.tone_hz else "no tone"
    held = ", held" if frame.held else ""
    lacking = f", missing: track {frame.step.missing_text}" if frame.step.missing else ""
    return f"{step_line(frame.step)}{lacking}   {tone}   bank {frame.bank}{held}   {clock(frame.position_s)}"


def step_line(step: StepReading) -> str:
    """Return the step as one line."""
    if step.count == 0:
        return "no steps"
    return (
        f"step {step.number} of {step.count}: {step.adjustment}, {step.tone_hz:g} Hz, {step.speed_ips:g} in/s, "
        f"target {signed(step.target_vu)} VU ±{step.tolerance_db:g}{_trust(step)}"
    )


def _trust(step: StepReading) -> str:
    """Return how far a target can be trusted, where that is less than what is asked of the tracks."""
    return f", give or take {step.uncertainty_db:.1f}" if step.uncertainty_db > step.tolerance_db else ""


def health_line(frame: Frame, logged: int) -> str:
    """Return what is wrong, or that nothing is."""
    health = frame.health
    counts = [
        f"{count} {what}"
        for count, what in (
            (health.overruns, "overruns"),
            (health.source_losses, "times without source"),
            (health.clock_steps, "times the clock was set"),
            (health.refused_packets, "packets refused"),
            (health.dropped_packets, "packets dropped"),
            (health.refused_trims, "trims NOT logged"),
        )
        if count
    ]
    said = "; ".join([f"source {health.source}", f"log {health.log}", f"{logged} trims logged", *counts])
    return f"{said}. {health.message}" if health.message else said


def clock(position_s: float) -> str:
    """Return a time as h:mm:ss."""
    whole = int(position_s)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def half_cells(columns: int) -> int:
    """Return how many cells the strip has to either side of the target: the strip gives way before the figures do."""
    return max(LEAST_HALF_CELLS, min(HALF_CELLS, (columns - OTHER_COLUMNS) // 2))


def _tracks(frame: Frame, half: int) -> Table:
    table = Table(box=None, pad_edge=False, header_style="")
    for heading, right in (
        ("track", True), ("dB", True), ("level", False), ("target".center(2 * half + 1), False),
        ("spread", True), ("VU", True), ("state", False),
    ):  # fmt: skip
        table.add_column(heading, justify="right" if right else "left", no_wrap=True)
    for reading in frame.readings:
        deviation_db = reading.deviation_db if math.isnan(reading.fine_db) else reading.fine_db
        quiet = reading.state == "quiet"
        table.add_row(
            Text(f"{'▸ ' if reading.track == frame.focus_track else ''}{reading.track}"),
            Text("—" if quiet else signed(deviation_db), style="bold"),
            Text("" if quiet else direction(deviation_db, frame.step.tolerance_db)),
            Text(strip(math.nan if quiet else deviation_db, frame.step.tolerance_db, half)),
            Text("" if math.isnan(reading.spread_db) else f"±{reading.spread_db:.2f}"),
            Text(_vu(reading)),
            Text(reading.state),
        )
    return table


def _vu(reading: Reading) -> str:
    return "—" if reading.vu < -60.0 else signed(reading.vu)


def direction(deviation_db: float, tolerance_db: float) -> str:
    """Return which way the level has to go."""
    if abs(deviation_db) <= tolerance_db:
        return "leave"
    return "lower" if deviation_db > 0.0 else "raise"


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


class Lines:
    """The same for whoever has no terminal: a line when something changes, written by ``say``, which must not wait."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self.say = say
        self._step = 0
        self._tone = -1
        self._source = ""

    def publish(self, frame: Frame, now_s: float) -> None:  # noqa: ARG002 - only what changed is written
        """Write what has changed since the frame before."""
        if frame.step.number != self._step:
            self._step = frame.step.number
            self.say(step_line(frame.step))
        tone = round(frame.tone_hz / 10.0) if frame.tone_hz else 0
        if abs(tone - self._tone) > max(1, self._tone // 100):
            self._tone = tone
            self.say(f"tone {frame.tone_hz:.1f} Hz" if tone else "no tone")
        if frame.health.source != self._source:
            self._source = frame.health.source
            self.say(f"source {self._source}")

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:  # noqa: ARG002 - in the order in which it came
        """Write a trim that is in the log."""
        self.say(told(trim, trim_id))
