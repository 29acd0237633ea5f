"""What may leave: published examples of machine control, and an enumeration of everything that can be written."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.wire import midi_machine as machine
from bridge.wire.midi_time_code import TimeCode

# Commands of MIDI Machine Control 1.0 that set a recorder to record or make ready for it.
RECORD_STROBE, RECORD_EXIT, RECORD_PAUSE, WRITE, MASKED_WRITE = 0x06, 0x07, 0x08, 0x40, 0x41


def test_the_published_forms() -> None:
    assert machine.stop(0x7F) == bytes.fromhex("F0 7F 7F 06 01 F7")
    assert machine.play(0x7F) == bytes.fromhex("F0 7F 7F 06 02 F7")
    # Locate to 01:02:03:04.00 at 25 frames a second.
    assert machine.locate(0x7F, TimeCode(1, 1, 2, 3, 4)) == bytes.fromhex("F0 7F 7F 06 44 06 01 21 02 03 04 00 F7")
    assert machine.pitch_bend(1, 8192) == bytes.fromhex("E0 00 40")
    assert machine.pitch_bend(16, 8192 - 1) == bytes.fromhex("EF 7F 3F")
    assert machine.pitch_bend(1, 8192 + 4096) == bytes.fromhex("E0 00 60")
    with pytest.raises(ValueError, match="no time at this frame rate"):
        machine.locate(0x7F, TimeCode(1, 24, 0, 0, 0))


def everything_for_the_machine() -> list[bytes]:
    """Return every message that the encoder can write: each command, device, and a grid of all times of all rates."""
    times = [
        TimeCode(rate, hours, minutes, seconds, frames)
        for rate, hours, minutes, seconds in product(range(4), (0, 1, 6, 7, 8, 23), (0, 1, 6, 59), (0, 7, 59))
        for frames in range((24, 25, 30, 30)[rate])
    ]
    located = [machine.locate(0x7F, time) for time in times if time.exists]
    fixed = [command(device) for command in (machine.stop, machine.play) for device in range(128)]
    return fixed + located


def test_nothing_that_can_be_written_records() -> None:
    messages = everything_for_the_machine()
    assert len(messages) > 5000
    for message in messages:
        assert machine.permitted(message)
        assert message[:2] == b"\xf0\x7f"
        assert message[3] == 0x06
        # One command each: by its length nothing can follow the stop, the play or the target of a locate.
        assert (message[4], len(message)) in {(0x01, 6), (0x02, 6), (0x44, 13)}
        assert message[4] not in {RECORD_STROBE, RECORD_EXIT, RECORD_PAUSE, WRITE, MASKED_WRITE}


def test_the_gate_knows_no_other_command() -> None:
    """All 128 commands, bare and with a length and data, for all that the gate may let through."""
    let_through = {
        code
        for code in range(128)
        for rest in ("", "06 01 21 02 03 04 00", "04 4F 01 00 01", "00", "01", "06 01 21 02 03 04 00 06")
        if machine.permitted(bytes((0xF0, 0x7F, 0x7F, 0x06, code)) + bytes.fromhex(rest) + b"\xf7")
    }
    assert let_through == {0x01, 0x02, 0x44}
    for wrong in (
        "F0 7F 7F 06 06 F7",  # record strobe
        "F0 7F 7F 06 02 06 F7",  # play, then record strobe, in one message
        "F0 7F 7F 06 40 04 4F 01 00 01 F7",  # write record ready
        "F0 7F 7F 06 44 06 01 21 02 03 04 00 06 F7",
        "F0 7F 7F 07 02 F7",  # a response
        "F0 7E 7F 06 01 F7",
        "F0 7F 7F 06 02",
        "F0 7F 7F 06 F7",
        "F0 F7",
        "C0 01",
        "80 3C 40",
        "B0 7B 00",  # all notes off
        "FA",
        "FF",
        "",
    ):
        assert not machine.permitted(bytes.fromhex(wrong)), wrong


@given(st.binary(max_size=16))
def test_the_gate_lets_only_lamps_rings_and_the_three_through(data: bytes) -> None:
    if machine.permitted(data):
        lamp_or_ring = len(data) == 3 and data[0] & 0xF0 in (0x90, 0xB0, 0xE0)
        assert lamp_or_ring or data[4] in (0x01, 0x02, 0x44)
