"""What may be sent over MIDI at all: stop, play and locate for the recorder, and what moves lamps and rings.

A command that records would cost a calibration tape. So there is no way to write one here, and what leaves is held
against `permitted` once more on its way out.
"""

from typing import Final

from bridge.wire.midi_time_code import TimeCode

_HEAD: Final = b"\xf0\x7f"
_COMMAND: Final = 0x06
_STOP: Final = b"\x01"
_PLAY: Final = b"\x02"
_LOCATE: Final = b"\x44\x06\x01"
"""MIDI Machine Control 1.0 (RP-013): real-time universal message, sub-id 06; locate with a target of five bytes."""

_NOTE_ON: Final = 0x90
_CONTROL: Final = 0xB0
_PITCH_BEND: Final = 0xE0

LAST_CONTROLLER: Final = 119
"""120 to 127 are channel mode messages, which silence or reset a receiver."""


def stop(device: int) -> bytes:
    """Return the command that stops the tape; ``device`` is 0 to 127."""
    return _machine(device, _STOP)


def play(device: int) -> bytes:
    """Return the command that plays."""
    return _machine(device, _PLAY)


def locate(device: int, time: TimeCode) -> bytes:
    """Return the command that winds to a time.

    Raises
    ------
    ValueError
        When there is no such time.
    """
    if not time.exists:
        raise ValueError(f"{time} is no time at this frame rate")
    return _machine(device, _LOCATE + bytes((time.rate << 5 | time.hours, time.minutes, time.seconds, time.frames, 0)))


def _machine(device: int, command: bytes) -> bytes:
    return _HEAD + bytes((device, _COMMAND)) + command + b"\xf7"


def note(channel: int, number: int, velocity: int) -> bytes:
    """Return a note on; velocity 0 is its release."""
    return bytes((_NOTE_ON | channel - 1, number, velocity))


def control(channel: int, number: int, value: int) -> bytes:
    """Return a controller."""
    return bytes((_CONTROL | channel - 1, number, value))


def pitch_bend(channel: int, value: int) -> bytes:
    """Return a pitch bend; 8192 is the middle."""
    return bytes((_PITCH_BEND | channel - 1, value & 0x7F, value >> 7))


def permitted(message: bytes) -> bool:
    """Return whether a message is one of those that this module writes, and nothing else."""
    if len(message) == 3 and max(message[1:]) < 0x80:
        kind = message[0] & 0xF0
        return kind in (_NOTE_ON, _PITCH_BEND) or (kind == _CONTROL and message[1] <= LAST_CONTROLLER)
    if message[:2] != _HEAD or message[-1:] != b"\xf7" or message[3:4] != bytes((_COMMAND,)):
        return False
    inner = message[4:-1]
    if max(message[2], *inner, 0) >= 0x80:
        return False
    return inner in (_STOP, _PLAY) or (len(inner) == len(_LOCATE) + 5 and inner.startswith(_LOCATE))
