"""The live view in a terminal: frames in; what is wrong, the step, all tracks and the newest trims out.

What is wrong and how to stop stand at the top; then come the tracks, all of them in 24 lines of 80 characters, and what
is left of the window is for the newest messages.
"""

import math
import textwrap
import threading
from collections import deque
from collections.abc import Callable
from typing import Final

from rich.console import Console, ConsoleOptions, Group, RenderResult
from rich.text import Text

from bridge.cli.figures import counted, found_of, left_of
from bridge.cli.track_blocks import track_lines
from bridge.ranges import tracks_named
from bridge.readings import Frame, StepReading, Trim
from bridge.units import signed
from bridge.words import FOLLOWING, HELD, RELEASED, STAYING, STAYS

MESSAGES: Final = 8
"""Most messages that are shown, where there is room."""

LEAST_MESSAGES: Final = 2
"""So many are shown before tracks are put side by side."""

HEALTH_LINES: Final = 4
STEP_LINES: Final = 3
"""Most lines of what is wrong and of the step: 15 are left for tracks and messages in a window of 24."""

LEAST_TRACK_ROWS: Final = 3
"""The heading, tracks, and how many more there are."""

STOPPING: Final = "Ctrl-C stops; what is logged stays"


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
            self._trims.append(" ".join(text.split()))

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw, as large as the terminal."""
        # The line below the last one belongs to the cursor.
        yield Group(*self.drawn(console.width, console.height - 1))

    def drawn(self, columns: int, rows: int) -> list[Text]:
        """Return the picture for so many columns and rows of a terminal, a line each."""
        frame = self._frame
        with self._lock:
            said, logged = list(self._trims), self._logged
        lines = [_across(self._title, STOPPING, columns)]
        if frame is None:
            lines.append(Text("waiting for the source"))
        else:
            health = health_line(frame, logged)
            most = max(1, rows // 5)
            lines += _wrapped(health, columns, min(HEALTH_LINES, most), "bold" if frame.health.message else "")
            lines += _wrapped(headline(frame), columns, min(STEP_LINES, most))
            kept = min(LEAST_MESSAGES, len(said))
            tracks_rows = max(LEAST_TRACK_ROWS, rows - len(lines) - kept)
            lines += track_lines(frame, columns, tracks_rows)
        room = max(0, rows - len(lines))
        lines += [Text(text) for text in said[len(said) - min(room, len(said)) :]]
        for line in lines:
            line.no_wrap = True
            line.overflow = "ellipsis"
        return lines[:rows]


def _across(left: str, right: str, columns: int) -> Text:
    """Return two texts at both ends of a line; the right one is whole as long as it fits."""
    room = max(0, columns - len(right) - 2)
    shown = Text(left)
    shown.truncate(room, overflow="ellipsis", pad=True)
    shown.stylize("bold")
    return shown + Text(f"  {right}" if room else right)


def _wrapped(text: str, columns: int, most: int, style: str = "") -> list[Text]:
    lines = textwrap.wrap(text, max(columns, 10), max_lines=most, placeholder=" …")
    return [Text(line, style=style) for line in lines]


def told(trim: Trim, trim_id: str) -> str:
    """Return a logged trim as one line."""
    if trim.within_tolerance is None:
        verdict = "from its peak"
    else:
        verdict = f"{'within' if trim.within_tolerance else 'outside'} ±{trim.tolerance_db:g}"
    return f"logged {trim_id}: track {trim.track} {trim.adjustment}, {found_of(trim)} → {left_of(trim)} dB, {verdict}"


def headline(frame: Frame) -> str:
    """Return step, tone, bank and what holds the procedure, as one line."""
    tone = f"tone {frame.tone_hz:.1f} Hz" if _hears_tone(frame) else "no tone"
    held = ", held" if frame.held else ""
    # What stands last is cut first.
    stays = "" if frame.follows else f"{STAYS}; "
    lacking = f", missing: {tracks_named(frame.step.missing_tracks)}" if frame.step.missing else _closing(frame)
    return f"{stays}{step_line(frame.step)}{lacking}   {tone}   bank {frame.bank}{held}   {clock(frame.position_s)}"


def _hears_tone(frame: Frame) -> bool:
    """Return whether a tone is heard: that of the step from its first moment on, another one once it stands."""
    return frame.tone_hz > 0.0 and (frame.tone_stands or _is_wanted(frame))


def _is_wanted(frame: Frame) -> bool:
    # Only the tone of the step is compared with its target.
    return not all(math.isnan(one.deviation_db) for one in frame.readings)


def _closing(frame: Frame) -> str:
    """Return that all is logged though tracks are outside the tolerance; empty where none is seen to be."""
    step = frame.step
    if not step.complete or step.adjustment == "bias":
        return ""
    # What cannot be read is not outside: of it both figures are NaN.
    outside = [
        one.track
        for one in frame.readings
        if one.state != "quiet"
        and one.track not in frame.right_tracks
        and abs(one.deviation_db if math.isnan(one.fine_db) else one.fine_db) > step.tolerance_db
    ]
    return f", all logged, outside: {tracks_named(outside)}" if outside else ""


def step_line(step: StepReading) -> str:
    """Return the step as one line."""
    if step.count == 0:
        return "no steps: levels are shown, and nothing is logged"
    return (
        f"step {step.number} of {step.count}: {step.adjustment}, {step.tone_hz:g} Hz, {step.speed_ips:g} in/s, "
        f"target {signed(step.target_vu)} VU ±{step.tolerance_db:g}{_trust(step)}"
    )


def _trust(step: StepReading) -> str:
    """Return how far a target can be trusted, where that is less than what is asked of the tracks."""
    return f", give or take {step.uncertainty_db:.2f}" if step.uncertainty_db > step.tolerance_db else ""


def health_line(frame: Frame, logged: int) -> str:
    """Return what is wrong, or that nothing is."""
    health = frame.health
    counts = [
        f"{counted(count, thing)}{what}"
        for count, thing, what in (
            (health.overruns, "overrun", ""),
            (health.source_losses, "time", " without source"),
            (health.clock_steps, "time", " the clock was set"),
            (health.refused_packets, "packet", " refused"),
            (health.dropped_packets, "packet", " dropped"),
            (health.refused_trims, "trim", " NOT logged"),
            (health.lost_connections, "connection", " lost"),
        )
        if count
    ]
    said = "; ".join([f"source {health.source}", f"log {health.log}", f"{counted(logged, 'trim')} logged", *counts])
    # What stands last is cut first.
    return f"{health.message}; {said}" if health.message else said


def clock(position_s: float) -> str:
    """Return a time as h:mm:ss."""
    whole = int(position_s)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


class Lines:
    """The same for whoever has no terminal: a line when something changes, written by ``say``, which must not wait."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self.say = say
        self._step = 0
        self._tone = 0
        self._source = ""
        self._held = False
        self._follows = True

    def publish(self, frame: Frame, now_s: float) -> None:  # noqa: ARG002 - only what changed is written
        """Write what has changed since the frame before."""
        if frame.step.number != self._step:
            self._step = frame.step.number
            self.say(step_line(frame.step))
        tone = round(frame.tone_hz / 10.0) if frame.tone_hz else 0
        if abs(tone - self._tone) > max(1, self._tone // 100):
            # A line that is written stays: what goes by is no tone, as a sweep through that of the step.
            tone = tone if frame.tone_stands else 0
            if tone != self._tone:
                self._tone = tone
                wrong = "" if _is_wanted(frame) else ": not the tone of the step"
                self.say(f"tone {frame.tone_hz:.1f} Hz{wrong}" if tone else "no tone")
        if frame.health.source != self._source:
            self._source = frame.health.source
            self.say(f"source {self._source}")
        if frame.held != self._held:
            self._held = frame.held
            self.say(HELD if self._held else RELEASED)
        if frame.follows != self._follows:
            self._follows = frame.follows
            self.say(FOLLOWING if self._follows else STAYING)

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:  # noqa: ARG002 - in the order in which it came
        """Write a trim that is in the log."""
        self.say(told(trim, trim_id))
