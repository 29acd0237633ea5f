"""Frames to the lamps and rings of controllers: frames in; messages to the outputs, from a thread of its own.

``publish`` keeps the newest frame and returns. The thread sends what has changed, as fast as each wire carries it.
"""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from typing import Final, Protocol

from bridge.config.midi_settings import MidiLampSettings, MidiMeterSettings, MidiSettings
from bridge.readings import Frame, Trim
from bridge.sinks.midi_pacing import Pacer, Value
from bridge.sinks.midi_values import focus_places, lamp_messages, meter_messages
from bridge.wire.episodes import QUIET_S, Episode

SHORTEST_WAIT_S: Final = 0.002
MUTED_AGAIN_S: Final = 1.0
STOP_S: Final = 2.0

# Why tape commands were not sent, with their number.
_LATE: Final = "the MIDI output to the recorder did not take {} in time: not sent"
_GONE: Final = "the MIDI output to the recorder went away before it took {}: not sent"
_MUTED: Final = "what is sent to the MIDI output to the recorder comes back in: {} not sent"

_log = logging.getLogger(__name__)


class Loops(Protocol):
    """Who knows what comes back in."""

    def sent(self, output: int, message: bytes, now_s: float) -> None:
        """Take note of a message that goes out."""
        ...

    def muted(self, output: int, now_s: float) -> bool:
        """Return whether nothing may be sent to an output."""
        ...

    def opened(self, output: int) -> None:
        """Take note of an output that was opened again."""
        ...


def output_parts(settings: MidiSettings) -> tuple[str, ...]:
    """Return the outputs that are wanted, each once, by the parts of their names."""
    parts = [*(meter.port for meter in settings.meter), *(lamp.port for lamp in settings.lamp)]
    if settings.machine_control:
        parts.append(settings.machine_port)
    return tuple(dict.fromkeys(parts))


class MidiSink:
    """Shows frames on controllers, and sends commands to the recorder.

    Parameters
    ----------
    settings : MidiSettings
    send : callable
        Sends a message to an output by its position in `output_parts`. False when that is not open.
    name : callable
        The name of an output; empty when it is not open.
    loops : Loops
    """

    def __init__(
        self,
        settings: MidiSettings,
        send: Callable[[int, bytes], bool],
        name: Callable[[int], str],
        loops: Loops,
    ) -> None:
        self._send = send
        self._name = name
        self._loops = loops
        parts = output_parts(settings)
        self._outputs = [
            _Output(
                Pacer(settings.bytes_per_s),
                [meter for meter in settings.meter if meter.port == part],
                [lamp for lamp in settings.lamp if lamp.port == part],
            )
            for part in parts
        ]
        self._machine = parts.index(settings.machine_port) if settings.machine_control else -1
        self._frame: Frame | None = None
        self._opened: set[int] = set()
        self._commands: list[bytes] = []
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._dropping = Episode()
        self._dropped_commands = 0
        self._dropped_s = float("-inf")
        self._dropped_before = 0  # the present episode
        self._dropped_why = ""
        self._not_sent = ""
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="midi out", daemon=True)

    @property
    def problem(self) -> str:
        """What is wrong now; empty when nothing is."""
        now_s = time.monotonic()
        muted = [index for index in range(len(self._outputs)) if self._loops.muted(index, now_s)]
        if muted:
            return f"what is sent to MIDI output {self._name(muted[0])} comes back in: it is muted"
        return self._not_sent if now_s - self._dropped_s < QUIET_S else ""

    @property
    def dropped_commands(self) -> int:
        """Commands for the recorder that were never sent."""
        return self._dropped_commands

    def publish(self, frame: Frame, now_s: float) -> None:  # noqa: ARG002 - sent when the wire is free
        """Show a frame."""
        self._frame = frame
        self._wake.set()

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:
        """Trims have no lamp of their own: the state says it."""

    def command(self, message: bytes) -> str | None:
        """Send a message to the recorder, now or never: return why not, or None. From any thread."""
        if not self._name(self._machine):
            return "the MIDI output to the recorder is not there"
        if self._loops.muted(self._machine, time.monotonic()):
            return "the MIDI output to the recorder is muted: what is sent to it comes back in"
        with self._lock:
            self._commands.append(message)
        self._wake.set()
        return None

    def opened(self, index: int) -> None:
        """Take note that an output was opened: nothing stands there. From any thread."""
        self._loops.opened(index)
        with self._lock:
            self._opened.add(index)
        self._wake.set()

    def start(self) -> None:
        """Begin to send."""
        if self._outputs:
            self._thread.start()

    def stop(self) -> None:
        """Send no more."""
        self._stopping = True
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(STOP_S)

    def _run(self) -> None:
        shown: Frame | None = None
        wait_s: float | None = None
        while not self._stopping:
            self._wake.wait(wait_s)
            self._wake.clear()
            with self._lock:
                opened, self._opened = self._opened, set()
                commands, self._commands = self._commands, []
            for index in opened:
                self._outputs[index].pacer.forget()
            self._count_dropped(_GONE)
            for message in commands:
                self._outputs[self._machine].pacer.command(message)
            self._count_dropped(_LATE)
            frame = self._frame
            if frame is not None and frame is not shown:
                for output in self._outputs:
                    output.show(frame)
            shown = frame
            waits = [self._serve(index, output, time.monotonic()) for index, output in enumerate(self._outputs)]
            wait_s = min((max(wait, SHORTEST_WAIT_S) for wait in waits if wait is not None), default=None)

    def _count_dropped(self, why: str) -> None:
        """Count the commands that were dropped since the last look, and say why: once an episode of each reason."""
        dropped = sum(output.pacer.dropped_commands for output in self._outputs)
        if dropped == self._dropped_commands:
            return
        now_s = time.monotonic()
        first = self._dropping.happened(now_s) or why != self._dropped_why
        if first:
            self._dropped_before, self._dropped_why = self._dropped_commands, why
        count = dropped - self._dropped_before
        self._not_sent = why.format("1 tape command" if count == 1 else f"{count} tape commands")
        self._dropped_s = now_s
        if first:
            _log.warning("%s", self._not_sent)
        self._dropped_commands = dropped

    def _serve(self, index: int, output: "_Output", now_s: float) -> float | None:
        """Send what is due; return after what time to look again, None = when something happens."""
        # A recorder that moves half a minute after the pedal was pressed would frighten whoever stands there: what
        # cannot be sent now is not sent when the output is back.
        if not self._name(index):
            output.pacer.drop_commands()
            self._count_dropped(_GONE)
            return None
        if self._loops.muted(index, now_s):
            if output.looped.happened(now_s):
                _log.error("what is sent to MIDI output %s comes back in: it is muted", self._name(index))
            output.pacer.drop_commands()
            self._count_dropped(_MUTED)
            return MUTED_AGAIN_S
        for sent, message in enumerate(output.pacer.due(now_s)):
            self._loops.sent(index, message, now_s)
            if not self._send(index, message):
                output.pacer.failed(sent)
                self._count_dropped(_GONE)
                return None
        return output.pacer.wait_s()


class _Output:
    def __init__(self, pacer: Pacer, meters: Sequence[MidiMeterSettings], lamps: Sequence[MidiLampSettings]) -> None:
        self.pacer = pacer
        self.looped = Episode()
        self._meters = meters
        self._lamps = lamps

    def show(self, frame: Frame) -> None:
        values: dict[object, Value] = {}
        first: set[object] = set()
        for number, meter in enumerate(self._meters):
            values |= {("meter", number, place): value for place, value in meter_messages(meter, frame).items()}
            first |= {("meter", number, place) for place in focus_places(meter.first_place, frame)}
        for number, lamp in enumerate(self._lamps):
            values |= {("lamp", number, place): value for place, value in lamp_messages(lamp, frame).items()}
            first |= {("lamp", number, place) for place in focus_places(lamp.first_place, frame)}
        self.pacer.want(values, first)
