"""MIDI 1.0 on the wire: bytes of one input in; whole messages, as a person calls them, out.

By the MIDI 1.0 Detailed Specification: running status holds while channel messages follow each other, real-time bytes
may stand between any two bytes, every other status ends a system exclusive message, 14-bit controllers are made of
two, and parameters of a number and its data entry. Nothing that a sender does wrong raises or is believed: it is
counted.
"""

from dataclasses import dataclass
from typing import Final

from bridge.config.midi_settings import MidiKind, highest_value

LONGEST_EXCLUSIVE_BYTES: Final = 512
"""Time code and machine control take 10 to 60 bytes, a bound message up to 300; a dump of samples interests nobody."""

_CHANNEL_LENGTHS: Final = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
_COMMON_LENGTHS: Final = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0}
"""Data bytes after each status (Detailed Specification, Table II and V). F4 and F5 are undefined."""

_UNDEFINED_REAL_TIME: Final = (0xF9, 0xFD)
_EXCLUSIVE: Final = 0xF0
_END_OF_EXCLUSIVE: Final = 0xF7
_FIRST_REAL_TIME: Final = 0xF8

_VOICES: Final[dict[int, MidiKind]] = {
    0x80: "note",
    0x90: "note",
    0xA0: "key pressure",
    0xB0: "control",
    0xC0: "program",
    0xD0: "channel pressure",
    0xE0: "pitch bend",
}
_SYSTEM: Final[dict[int, MidiKind]] = {
    0xF0: "system exclusive",
    0xF2: "song position",
    0xF3: "song select",
    0xF6: "tune request",
    0xFA: "start",
    0xFB: "continue",
    0xFC: "stop",
    0xFF: "reset",
}

HIGHEST_MSB: Final = 31
"""Controllers 0 to 31 are the upper seven bits of those whose lower seven are 32 to 63."""

_DATA_ENTRY: Final = (6, 38)
_DATA_STEPS: Final = {96: 1, 97: -1}
"""Data increment and decrement: by how much they change the chosen parameter, whatever their own value is (MMA RP-018,
"Response to Data Increment/Data Decrement Controllers": one of its lower half)."""
_PARAMETER_NUMBERS: Final[dict[int, tuple[MidiKind, bool]]] = {
    98: ("non-registered parameter", False),
    99: ("non-registered parameter", True),
    100: ("registered parameter", False),
    101: ("registered parameter", True),
}
"""What chooses a parameter, and whether it is the upper half of its number (Detailed Specification, Table III)."""

_NO_PARAMETER: Final = 16_383
"""7F 7F: data entry concerns no parameter any more (Detailed Specification, "Null function")."""

_RESET_ALL_CONTROLLERS: Final = 121

PARAMETERS_KEPT: Final = 128
"""Parameters of one channel whose values are remembered: more than a controller has knobs. The oldest is forgotten."""


class StreamParser:
    """Cuts the bytes of one input into messages, each with its status.

    What comes from a MIDI library is already cut; it passes here all the same, for a library hands on whatever a
    program has sent.
    """

    def __init__(self) -> None:
        self._status = 0
        self._pending = bytearray()
        self._used = False  # whether a message was completed under this status
        self._exclusive: bytearray | None = None
        self._overlong = False
        self.refused_bytes = 0
        """Bytes that belong to no complete message."""

    def feed(self, data: bytes) -> list[bytes]:
        """Return the messages that these bytes complete."""
        out: list[bytes] = []
        for byte in data:
            if byte >= _FIRST_REAL_TIME:
                if byte in _UNDEFINED_REAL_TIME:
                    self.refused_bytes += 1
                else:
                    out.append(bytes((byte,)))
            elif byte >= 0x80:
                self._take_status(byte, out)
            else:
                self._take_data(byte, out)
        return out

    def _take_status(self, byte: int, out: list[bytes]) -> None:
        exclusive, self._exclusive = self._exclusive, None
        if exclusive is not None and byte == _END_OF_EXCLUSIVE and not self._overlong:
            out.append(bytes((*exclusive, byte)))
        elif exclusive is not None:
            self.refused_bytes += len(exclusive) + (byte == _END_OF_EXCLUSIVE)
        elif byte == _END_OF_EXCLUSIVE:
            self.refused_bytes += 1
        self.refused_bytes += len(self._pending) + (self._status > 0 and not self._used)
        self._pending.clear()
        self._status, self._used = 0, False
        if byte == _EXCLUSIVE:
            self._exclusive, self._overlong = bytearray((byte,)), False
        elif byte < _EXCLUSIVE or _COMMON_LENGTHS.get(byte, 0):
            self._status = byte
        elif byte in _COMMON_LENGTHS:
            out.append(bytes((byte,)))
        elif byte != _END_OF_EXCLUSIVE:
            self.refused_bytes += 1

    def _take_data(self, byte: int, out: list[bytes]) -> None:
        if self._exclusive is not None:
            if len(self._exclusive) < LONGEST_EXCLUSIVE_BYTES:
                self._exclusive.append(byte)
            else:
                self._overlong = True
                self.refused_bytes += 1
            return
        status = self._status
        if not status:
            self.refused_bytes += 1
            return
        self._pending.append(byte)
        common = status >= _EXCLUSIVE
        if len(self._pending) == (_COMMON_LENGTHS[status] if common else _CHANNEL_LENGTHS[status & 0xF0]):
            out.append(bytes((status, *self._pending)))
            self._pending.clear()
            self._used = True
            if common:
                self._status = 0


@dataclass(frozen=True, slots=True)
class MidiMessage:
    """A message as a person calls it.

    Parameters
    ----------
    kind : MidiKind
        A note that is released is a note of value 0.
    channel : int
        1 to 16; 0 for messages without a channel.
    number : int
        Note, controller, program or song, 0 to 127; parameter, 0 to 16383; -1 for messages without a number.
    value : int
        Velocity, position, pressure or bend (0 to 127, or 0 to 16383); -1 for messages without a value.
    data : bytes
        Of a system exclusive message what stands between F0 and F7.
    turned : int
        Of a parameter that was counted up or down and not set: 1 or -1.
    """

    kind: MidiKind
    channel: int = 0
    number: int = -1
    value: int = -1
    data: bytes = b""
    turned: int = 0

    @property
    def highest_value(self) -> int:
        """The largest value that this kind can have."""
        return highest_value(self.kind)

    def __str__(self) -> str:
        words: list[str] = [self.kind]
        if self.number >= 0:
            words.append(str(self.number))
        if self.value >= 0:
            words.append(f"value {self.value}")
        if self.channel:
            words.append(f"channel {self.channel}")
        if self.data:
            words.append(self.data.hex(" ").upper())
        return " ".join(words)


class _Parameters:
    """Which parameter of a channel was chosen last, and what each stands at."""

    def __init__(self, channel: int) -> None:
        self._channel = channel
        self._kind: MidiKind | None = None
        self._halves: dict[tuple[MidiKind, bool], int] = {}
        self._values: dict[tuple[MidiKind, int], int] = {}

    def told(self, controller: int, value: int) -> tuple[MidiMessage, ...]:
        """Take a controller; return the parameter where it is data entry for one, or counts one up or down.

        Both halves of the number must have come. A choice holds until the next one, and data that comes before one, or
        after the null function, is of no parameter. As with every pair of controllers the upper half of the data alone
        sets the lower one to 0; a lower half alone belongs to the upper one that this parameter was sent last, also
        when others were chosen between, and says nothing where there never was one.
        """
        if controller in _PARAMETER_NUMBERS:
            self._kind, _ = half = _PARAMETER_NUMBERS[controller]
            self._halves[half] = value
        elif controller == _RESET_ALL_CONTROLLERS:
            # MMA RP-015, "Response to Reset All Controllers": the numbers go to null.
            self._kind = None
            self._halves.clear()
        elif controller in _DATA_ENTRY:
            return self._entered(controller, value)
        elif controller in _DATA_STEPS:
            return self._counted(_DATA_STEPS[controller])
        return ()

    @property
    def _chosen(self) -> tuple[MidiKind, int] | None:
        if self._kind is None:
            return None
        high, low = self._halves.get((self._kind, True)), self._halves.get((self._kind, False))
        if high is None or low is None or (number := high << 7 | low) == _NO_PARAMETER:
            return None
        return self._kind, number

    def _entered(self, controller: int, value: int) -> tuple[MidiMessage, ...]:
        chosen = self._chosen
        if chosen is None:
            return ()
        if controller == _DATA_ENTRY[0]:
            return (self._set(chosen, value << 7),)
        before = self._values.get(chosen)
        return () if before is None else (self._set(chosen, before & ~0x7F | value),)

    def _counted(self, by: int) -> tuple[MidiMessage, ...]:
        """Count the chosen parameter up or down, to its ends; one that was never set begins at 0."""
        chosen = self._chosen
        if chosen is None:
            return ()
        value = min(max(self._values.get(chosen, 0) + by, 0), highest_value(chosen[0]))
        return (self._set(chosen, value, by),)

    def _set(self, chosen: tuple[MidiKind, int], value: int, turned: int = 0) -> MidiMessage:
        self._values.pop(chosen, None)
        self._values[chosen] = value
        if len(self._values) > PARAMETERS_KEPT:
            del self._values[next(iter(self._values))]
        kind, number = chosen
        return MidiMessage(kind, self._channel, number, value, turned=turned)


class MessageReader:
    """From the bytes of one input to messages; knows its 14-bit controllers and the parameters that it has chosen."""

    def __init__(self) -> None:
        self._parser = StreamParser()
        self._upper: dict[tuple[int, int], int] = {}
        self._parameters: dict[int, _Parameters] = {}

    @property
    def refused_bytes(self) -> int:
        """Bytes that belong to no complete message."""
        return self._parser.refused_bytes

    def whole(self, data: bytes) -> list[bytes]:
        """Return the messages that these bytes complete, as bytes."""
        return self._parser.feed(data)

    def named(self, message: bytes) -> tuple[MidiMessage, ...]:
        """Return what a whole message is called; a controller may be several things, time code and clock are none."""
        status = message[0]
        if status >= _EXCLUSIVE:
            kind = _SYSTEM.get(status)
            return () if kind is None else (_system(kind, message),)
        kind, channel = _VOICES[status & 0xF0], (status & 0x0F) + 1
        if kind == "pitch bend":
            return (MidiMessage(kind, channel, value=message[1] | message[2] << 7),)
        if kind == "program":
            return (MidiMessage(kind, channel, message[1]),)
        if kind == "channel pressure":
            return (MidiMessage(kind, channel, value=message[1]),)
        number, value = message[1], message[2]
        if status < 0x90:
            value = 0  # a release has a velocity of its own, which is no position of a switch
        named = MidiMessage(kind, channel, number, value)
        if kind != "control":
            return (named,)
        parameters = self._parameters.setdefault(channel, _Parameters(channel))
        return (named, *self._fourteen_bits(named), *parameters.told(number, value))

    def _fourteen_bits(self, control: MidiMessage) -> tuple[MidiMessage, ...]:
        """Return the 14-bit controller that a controller is half of.

        The upper half alone sets the lower one to 0, and need not be sent again while only the lower one changes
        (Detailed Specification, Control Change, "Controller Numbers"). A lower half whose upper one never came says
        nothing yet.
        """
        number, value = control.number, control.value
        if number <= HIGHEST_MSB:
            self._upper[control.channel, number] = value
            return (MidiMessage("control 14 bit", control.channel, number, value << 7),)
        number -= HIGHEST_MSB + 1
        upper = self._upper.get((control.channel, number)) if number <= HIGHEST_MSB else None
        return () if upper is None else (MidiMessage("control 14 bit", control.channel, number, upper << 7 | value),)


def _system(kind: MidiKind, message: bytes) -> MidiMessage:
    if kind == "system exclusive":
        return MidiMessage(kind, data=message[1:-1])
    if kind == "song position":
        return MidiMessage(kind, value=message[1] | message[2] << 7)
    return MidiMessage(kind, number=message[1]) if kind == "song select" else MidiMessage(kind)
