"""The byte stream of MIDI 1.0, held against mido's own parser and the rules of the Detailed Specification."""

import random

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.wire.midi_messages import LONGEST_EXCLUSIVE_BYTES, PARAMETERS_KEPT, MessageReader, MidiMessage, StreamParser

seven = st.integers(0, 127)
channel_message = st.one_of(
    st.tuples(st.sampled_from([0x80, 0x90, 0xA0, 0xB0, 0xE0]), st.integers(0, 15), seven, seven).map(
        lambda m: bytes((m[0] | m[1], m[2], m[3]))
    ),
    st.tuples(st.sampled_from([0xC0, 0xD0]), st.integers(0, 15), seven).map(lambda m: bytes((m[0] | m[1], m[2]))),
)
system_message = st.one_of(
    seven.map(lambda value: bytes((0xF1, value))),
    st.tuples(seven, seven).map(lambda pair: bytes((0xF2, *pair))),
    seven.map(lambda value: bytes((0xF3, value))),
    st.just(b"\xf6"),
    st.lists(seven, max_size=40).map(lambda data: bytes((0xF0, *data, 0xF7))),
)
real_time = st.sampled_from([0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF])


def as_streamed(messages: list[bytes], with_running_status: list[bool]) -> bytes:
    """Write messages one after the other, leaving out the status where the specification allows it."""
    out, running = bytearray(), 0
    for message, leave_out in zip(messages, with_running_status, strict=True):
        out += message[1:] if leave_out and message[0] == running else message
        running = message[0] if message[0] < 0xF0 else 0
    return bytes(out)


@given(data=st.data(), messages=st.lists(channel_message | system_message, max_size=20))
def test_running_status_and_real_time_bytes_anywhere(data: st.DataObject, messages: list[bytes]) -> None:
    leave_out = data.draw(st.lists(st.booleans(), min_size=len(messages), max_size=len(messages)))
    stream = as_streamed(messages, leave_out)
    inserted = data.draw(st.lists(st.tuples(st.integers(0, len(stream)), real_time), max_size=20))
    mixed = bytearray(stream)
    for at, byte in sorted(inserted, reverse=True):
        mixed.insert(at, byte)
    parser = StreamParser()
    parsed: list[bytes] = []
    at = 0
    while at < len(mixed):
        size = data.draw(st.integers(1, 7))
        parsed += parser.feed(bytes(mixed[at : at + size]))
        at += size
    assert [message for message in parsed if message[0] < 0xF8] == messages
    assert sorted(message[0] for message in parsed if message[0] >= 0xF8) == sorted(byte for _, byte in inserted)
    assert parser.refused_bytes == 0


@given(st.lists(channel_message | system_message, max_size=30))
def test_mido_reads_the_same(messages: list[bytes]) -> None:
    stream = b"".join(messages)
    assert [bytes(message.bytes()) for message in mido.parse_all(stream)] == StreamParser().feed(stream)


@pytest.mark.parametrize(
    ("stream", "messages", "refused"),
    [
        # A note on channel 1, then two more without status (Detailed Specification, "Running Status").
        ("90 3C 40 3E 40 40 00", ["90 3C 40", "90 3E 40", "90 40 00"], 0),
        # System Common and Exclusive clear it; real-time does not.
        ("90 3C 40 F6 3E 40", ["90 3C 40", "F6"], 2),
        ("90 3C 40 F8 3E FE 40", ["90 3C 40", "F8", "FE", "90 3E 40"], 0),
        ("90 3C 40 F0 01 F7 3E 40", ["90 3C 40", "F0 01 F7"], 2),
        # Any status but real-time ends an exclusive message; what was not closed by F7 is not believed.
        ("F0 01 02 90 3C 40", ["90 3C 40"], 3),
        ("F0 01 F8 02 F7", ["F8", "F0 01 02 F7"], 0),
        ("F0 01 F0 02 F7", ["F0 02 F7"], 2),
        ("F0 01 F4 02 F7", [], 5),
        # Undefined bytes, data without a status, an end without a beginning, a message cut short.
        ("F9 FD F4 F5", [], 4),
        ("40 41", [], 2),
        ("F7", [], 1),
        ("90 B0 07 64", ["B0 07 64"], 1),
        ("90 3C 40 B0 07 64", ["90 3C 40", "B0 07 64"], 0),
        ("90 3C 40 3E B0 07 64", ["90 3C 40", "B0 07 64"], 1),
        ("90 3C B0 07 64", ["B0 07 64"], 2),
        ("F2 10 F1 04", ["F1 04"], 2),
        ("F2 90 3C 40", ["90 3C 40"], 1),
        ("F1 04 05", ["F1 04"], 1),
    ],
)
def test_by_the_book(stream: str, messages: list[str], refused: int) -> None:
    parser = StreamParser()
    assert [message.hex(" ").upper() for message in parser.feed(bytes.fromhex(stream))] == messages
    assert parser.refused_bytes == refused


def test_an_exclusive_message_that_never_ends_is_not_kept() -> None:
    parser = StreamParser()
    assert parser.feed(b"\xf0" + b"\x01" * 100_000 + b"\xf7") == []
    assert parser.refused_bytes == 100_002
    longest = b"\xf0" + b"\x01" * (LONGEST_EXCLUSIVE_BYTES - 1) + b"\xf7"
    assert parser.feed(longest) == [longest]


def test_random_bytes_give_whole_messages_and_every_byte_is_accounted_for() -> None:
    noise = random.Random(20).randbytes(1_000_000)
    parser = StreamParser()
    messages = parser.feed(noise)
    lengths = {0x80: 3, 0x90: 3, 0xA0: 3, 0xB0: 3, 0xC0: 2, 0xD0: 2, 0xE0: 3}
    for message in messages:
        assert max(message[1:] or b"\0") < 0x80 or message[0] == 0xF0
        if message[0] < 0xF0:
            assert len(message) == lengths[message[0] & 0xF0]
    running = sum(message[0] < 0xF0 for message in messages)
    taken = sum(map(len, messages))
    # Each byte is in a message or refused, but for the last that may be unfinished; running status writes some twice.
    assert taken - running <= len(noise) - parser.refused_bytes <= taken + LONGEST_EXCLUSIVE_BYTES
    assert parser.feed(b"\xf6\x90\x3c\x40")[-1] == b"\x90\x3c\x40"


def named(reader: MessageReader, stream: str) -> list[MidiMessage]:
    return [name for message in reader.whole(bytes.fromhex(stream)) for name in reader.named(message)]


def test_fourteen_bit_controllers() -> None:
    """Values worked out from the specification: 8192 = 40 00, 127 = 00 7F, 128 = 01 00, 16383 = 7F 7F."""
    reader = MessageReader()

    def values(stream: str) -> list[int]:
        return [name.value for name in named(reader, stream) if name.kind == "control 14 bit"]

    assert values("B0 30 05") == []  # a lower half alone says nothing
    assert values("B0 10 40 30 00") == [8192, 8192]
    assert values("B0 10 00 30 7F") == [0, 127]
    assert values("B0 10 01") == [128]  # the upper half sets the lower to 0
    assert values("B0 10 7F B0 30 7F") == [127 << 7, 16_383]
    assert values("B0 30 7E 30 7D") == [16_382, 16_381]  # the upper half stands
    assert values("B1 30 01") == []  # on another channel it never came
    assert values("B0 40 7F B0 7F 00") == []  # controllers above 63 have no halves
    assert named(reader, "B0 40 7F") == [MidiMessage("control", 1, 64, 127)]


def test_parameters_are_chosen_by_number_and_set_by_data_entry() -> None:
    """By the Detailed Specification, Table III: 98 to 101 choose, 6 and 38 set, 7F 7F chooses none."""
    reader = MessageReader()

    def told(stream: str) -> list[tuple[str, int, int, int]]:
        return [
            (name.kind.removesuffix(" parameter"), name.channel, name.number, name.value)
            for name in named(reader, stream)
            if name.kind.endswith("parameter")
        ]

    assert told("B0 06 40 26 01") == []  # of nothing
    # Sensitivity of pitch bend, registered parameter 00 00: 2 semitones and 0 cents = 2 × 128.
    assert told("B0 65 00 64 00 06 02 26 00") == [("registered", 1, 0, 256), ("registered", 1, 0, 256)]
    assert told("26 7F") == [("registered", 1, 0, 383)]
    assert told("06 03") == [("registered", 1, 0, 384)]  # the upper half sets the lower to 0
    assert told("B1 06 03") == []  # each channel for itself
    # The one that was chosen last, of both kinds; a new choice knows no data yet.
    assert told("B0 63 01 62 02 26 05") == []
    assert told("06 7F 26 7F") == [("non-registered", 1, 130, 127 << 7), ("non-registered", 1, 130, 16_383)]
    assert told("62 03 06 01") == [("non-registered", 1, 131, 128)]  # the upper half of the number stands
    assert told("B2 64 01 06 01") == []  # half a number is none
    assert told("B0 65 7F 64 7F 06 01 26 01") == []  # the null function
    assert told("B0 63 01 62 02 79 00 06 01") == []  # reset of all controllers, RP-015


def test_a_lower_half_belongs_to_the_upper_one_that_its_parameter_was_sent_last() -> None:
    """Devices choose the parameter anew with each change, and leave out the upper half where that stays."""
    reader = MessageReader()

    def told(stream: str) -> list[tuple[int, int]]:
        return [(name.number, name.value) for name in named(reader, stream) if name.kind.endswith("parameter")]

    assert told("B0 63 01 62 02 06 10 26 00") == [(130, 16 << 7), (130, 16 << 7)]
    assert told("B0 63 01 62 03 06 20") == [(131, 32 << 7)]
    assert told("B0 63 01 62 02 26 05 63 01 62 02 26 06") == [(130, 16 << 7 | 5), (130, 16 << 7 | 6)]
    assert told("B0 65 01 64 02 26 05") == []  # the registered one of that number is another
    for number in range(PARAMETERS_KEPT):
        told(f"B0 63 20 62 {number:02X} 06 01")
    assert told("B0 63 01 62 02 26 07") == []  # forgotten: what is kept is bounded


def test_parameters_are_counted_up_and_down() -> None:
    """Data increment and decrement, 96 and 97, by one of the lower half whatever they carry (MMA RP-018)."""
    reader = MessageReader()

    def told(stream: str) -> list[tuple[int, int, int]]:
        return [
            (name.number, name.value, name.turned)
            for name in named(reader, stream)
            if name.kind == "non-registered parameter"
        ]

    assert told("B0 60 00 61 7F") == []  # of nothing
    assert told("B0 63 01 62 02 06 01 26 7E") == [(130, 128, 0), (130, 254, 0)]
    assert told("B0 60 00 60 7F 60 01") == [(130, 255, 1), (130, 256, 1), (130, 257, 1)]
    assert told("B0 61 00 61 00") == [(130, 256, -1), (130, 255, -1)]
    assert told("B0 06 7F 26 7F 60 00") == [(130, 127 << 7, 0), (130, 16_383, 0), (130, 16_383, 1)]  # its end
    assert told("B0 62 03 61 00 60 00") == [(131, 0, -1), (131, 1, 1)]  # never set: from 0
    assert told("B0 65 7F 64 7F 60 00") == []  # the null function
    assert told("B0 63 01 62 03 60 00") == [(131, 2, 1)]  # chosen again


def test_what_is_chosen_and_counted_stays_bounded_under_random_bytes() -> None:
    reader = MessageReader()
    stream = random.Random(6).randbytes(300_000)
    for message in reader.whole(b"\xb0" + stream):
        for name in reader.named(message):
            assert -1 <= name.value <= name.highest_value


def test_what_each_message_is_called() -> None:
    reader = MessageReader()
    assert named(reader, "90 3C 40 3C 00 80 3C 7F") == [
        MidiMessage("note", 1, 60, 64),
        MidiMessage("note", 1, 60, 0),
        MidiMessage("note", 1, 60, 0),
    ]
    assert named(reader, "CF 05 D2 11 A3 3C 22") == [
        MidiMessage("program", 16, 5),
        MidiMessage("channel pressure", 3, value=17),
        MidiMessage("key pressure", 4, 60, 34),
    ]
    # Pitch bend: −8192 … +8191 around 00 40; −1 = 7F 3F, +1 = 01 40, +4096 = 00 60.
    bends = named(reader, "E0 00 00 00 40 7F 3F 01 40 00 60 7F 7F")
    assert [bend.value - 8192 for bend in bends] == [-8192, 0, -1, 1, 4096, 8191]
    assert [name.kind for name in named(reader, "FA FB FC FF F6 F8 FE F1 04")] == [
        *("start", "continue", "stop", "reset", "tune request"),
    ]
    assert named(reader, "F0 7D 01 F7 F3 03 F2 01 01") == [
        MidiMessage("system exclusive", data=b"\x7d\x01"),
        MidiMessage("song select", number=3),
        MidiMessage("song position", value=129),
    ]
    assert str(named(reader, "B4 10 05")[0]) == "control 16 value 5 channel 5"
