"""MIDI in the daemon: ports, control and sink joined, and what is to be said of their health."""

import time

from bridge.config.convert import to_banks
from bridge.config.settings import Settings
from bridge.control.inbox import CommandInbox
from bridge.control.midi import MidiControl
from bridge.control.midi_bindings import TapeWish
from bridge.control.midi_echo import EchoWatch
from bridge.daemon.setup import setup_of
from bridge.readings import Frame, MidiState, Trim
from bridge.sinks.midi import MidiSink, output_parts
from bridge.sinks.midi_transport import Transport
from bridge.wire.midi_ports import MidiPorts


class Midi:
    """Everything that is MIDI. A viewer of the engine; without a port named in the config it does nothing.

    Parameters
    ----------
    settings : Settings
    inbox : CommandInbox
    """

    def __init__(self, settings: Settings, inbox: CommandInbox) -> None:
        midi = settings.midi
        echoes = EchoWatch()
        self._control = MidiControl(midi, len(to_banks(settings)), inbox, echoes, self._act)
        inputs = [bind.port for bind in midi.bind] + ([midi.time_code] if midi.time_code else [])
        outputs = output_parts(midi)
        if not midi.enabled:
            inputs, outputs = [], ()
        self._ports = MidiPorts(inputs, outputs, midi.system, self._control.receive, self._opened, self._control.closed)
        self._sink = MidiSink(midi, self._ports.send, self._ports.output, echoes)
        self._transport = Transport(midi, setup_of(settings).tape_in, self._control.tape_time, self._sink.command)

    def _act(self, wish: TapeWish, now_s: float) -> str | None:  # noqa: ARG002 - done at once
        return self._transport.act(wish.action)

    def _opened(self, index: int) -> None:
        self._sink.opened(index)

    @property
    def state(self) -> MidiState:
        """Whether the ports are there."""
        return self._ports.state

    @property
    def problem(self) -> str:
        """What is wrong now, in one line; empty when nothing is."""
        return self._control.notice(time.monotonic()) or self._ports.problem or self._sink.problem

    @property
    def losses(self) -> int:
        """How often a port went away."""
        return self._ports.losses

    @property
    def refused_packets(self) -> int:
        """What was not done, not understood, or may not be sent."""
        return self._control.refused + self._ports.refused_messages

    @property
    def dropped_packets(self) -> int:
        """Messages that came faster than they could be read or sent, and gaps in the time code."""
        return self._ports.lost_messages + self._control.lost + self._sink.dropped_commands

    @property
    def lost_connections(self) -> int:
        """None: a port that goes away counts among the losses."""
        return 0

    @property
    def tape_time(self) -> str:
        """Where the tape is by its time code, hours to frames; empty when none was heard."""
        told = self._control.tape_time(time.monotonic())
        return str(told[0]) if told else ""

    def publish(self, frame: Frame, now_s: float) -> None:
        """Take a frame."""
        self._control.publish(frame, now_s)
        self._transport.publish(frame, now_s)
        self._sink.publish(frame, now_s)

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:
        """Take note of a trim that is in the log."""
        self._control.announce(trim, trim_id, now_s)

    def start(self) -> None:
        """Begin to hear and to send; returns at once, whether ports are there or not."""
        self._sink.start()
        self._ports.start()

    def stop(self) -> None:
        """Let go of the ports."""
        self._sink.stop()
        self._ports.stop()
