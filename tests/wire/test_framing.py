"""Packets parted in a stream, however it comes in pieces."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.wire.framing import FramingError, SizeFraming, SlipFraming, with_ends, with_size

# OSC 1.0, "Open Sound Control Specification 1.0 Examples": /oscillator/4/frequency with one float 440.
OSCILLATOR = bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000")
# /s with the blob c0 db 01 02: both bytes that SLIP escapes (RFC 1055: END c0, ESC db, ESC_END dc, ESC_ESC dd; from
# memory), written out by hand.
BLOB = bytes.fromhex("2f7300002c62000000000004c0db0102")
BLOB_SLIP = bytes.fromhex("c02f7300002c62000000000004dbdcdbdd0102c0")


def test_the_size_goes_before() -> None:
    assert with_size(OSCILLATOR) == bytes.fromhex("00000020") + OSCILLATOR
    assert SizeFraming(1472).feed(bytes.fromhex("00000020") + OSCILLATOR) == [OSCILLATOR]


def test_slip_by_hand() -> None:
    assert with_ends(BLOB) == BLOB_SLIP
    assert SlipFraming(1472).feed(BLOB_SLIP) == [BLOB]


packets = st.lists(st.binary(min_size=1, max_size=40) | st.just(b"\xdb\xc0\xdc\xdd\xdb"), max_size=6)


@given(packets, st.lists(st.integers(1, 30), max_size=40), st.booleans())
def test_whole_packets_whatever_the_pieces(sent: list[bytes], sizes: list[int], slip: bool) -> None:
    framing, framed = (SlipFraming(40), with_ends) if slip else (SizeFraming(40), with_size)
    stream = b"".join(map(framed, sent))
    got: list[bytes] = []
    for size in [*sizes, len(stream)]:
        got += framing.feed(stream[:size])
        stream = stream[size:]
    assert got == sent


@pytest.mark.parametrize("size", [0, -4, -(2**31), 1473, 2**31 - 1])
def test_an_impossible_size_ends_it(size: int) -> None:
    with pytest.raises(FramingError, match="1 to 1472 are taken"):
        SizeFraming(1472).feed(size.to_bytes(4, "big", signed=True))


@given(st.lists(st.binary(max_size=300), max_size=30))
def test_slip_takes_anything_and_finds_its_way(junk: list[bytes]) -> None:
    framing = SlipFraming(40)
    for piece in junk:
        assert all(0 < len(packet) <= 41 for packet in framing.feed(piece))
        assert len(framing._rest) <= 82
    assert framing.feed(b"\xc0" + BLOB_SLIP)[-1] == BLOB


def test_a_long_packet_comes_cut_but_too_long() -> None:
    framing = SlipFraming(40)
    assert framing.feed(b"\xc0" + b"\xdb\xdc" * 5000) == []
    assert [len(packet) for packet in framing.feed(b"\xc0" + with_ends(b"a" * 40))] == [41, 40]
