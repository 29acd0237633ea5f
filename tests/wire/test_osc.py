"""The codec against the specification's own bytes, against python-osc, and against strangers."""

import contextlib
import math
import string
import struct

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pythonosc import osc_bundle, osc_message
from pythonosc.osc_bundle_builder import OscBundleBuilder
from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.wire import osc
from bridge.wire.osc import Message, OscError, Packet, decode, encode_bundle, encode_message

# "OpenSound Control Specification 1.0 Examples" (M. Wright, 29 March 2002): the two messages, byte for byte.
OSCILLATOR = bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000")
FOO = bytes.fromhex("2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d")


def float32(value: float) -> float:
    return struct.unpack(">f", struct.pack(">f", value))[0]


def test_worked_example_one_float() -> None:
    message = Message("/oscillator/4/frequency", "f", (440.0,))
    assert decode(OSCILLATOR) == Packet(osc.IMMEDIATELY, (message,))
    assert encode_message(*message) == OSCILLATOR


def test_worked_example_five_arguments() -> None:
    message = Message("/foo", "iisff", (1000, -1, "hello", float32(1.234), float32(5.678)))
    assert decode(FOO).messages == (message,)
    assert encode_message("/foo", "iisff", (1000, -1, "hello", 1.234, 5.678)) == FOO


def test_worked_examples_of_strings() -> None:
    # The same page: "OSC" takes four bytes, "data" eight; the type tag strings "," ",f" ",iisfff" ",ibb".
    assert encode_message("/s", "ss", ("OSC", "data"))[8:] == b"OSC\0data\0\0\0\0"
    assert encode_message("/s") == b"/s\0\0,\0\0\0"
    assert encode_message("/s", "iisfff", (0, 0, "", 0, 0, 0))[4:12] == b",iisfff\0"
    assert (
        encode_message("/s", "ibb", (1, b"ab", b""))[4:]
        == b",ibb\0\0\0\0" + b"\0\0\0\1" + b"\0\0\0\2ab\0\0" + b"\0\0\0\0"
    )


def test_worked_example_in_a_bundle() -> None:
    # OSC 1.0, "OSC Bundles": "#bundle", eight bytes of time tag, then size and contents of each element.
    packet = bytes.fromhex("2362756e646c6500000000000000000100000020") + OSCILLATOR
    assert encode_bundle(osc.IMMEDIATELY, [OSCILLATOR]) == packet
    assert decode(packet) == Packet(1, (Message("/oscillator/4/frequency", "f", (440.0,)),))


@pytest.mark.parametrize(
    ("unix_ns", "time_tag"),
    [
        # RFC 5905, figure 4 (from memory): 1 January 1970 is second 2,208,988,800 of era 0, 1 January 2000 second
        # 3,155,673,600.
        (0, 2_208_988_800 << 32),
        (946_684_800_500_000_000, 3_155_673_600 << 32 | 1 << 31),
        # 32 bits of seconds end on 7 February 2036 at 06:28:16.
        (2_085_978_495_000_000_000, 0xFFFF_FFFF << 32),
        (2_085_978_496_000_000_000, 0),
    ],
)
def test_time_tags(unix_ns: int, time_tag: int) -> None:
    assert osc.time_tag_from_ns(unix_ns) == time_tag
    assert osc.ns_from_time_tag(time_tag) == unix_ns


@settings(deadline=None)
@given(st.integers(0, 4_000_000_000 * 10**9))
def test_a_time_tag_holds_every_nanosecond(unix_ns: int) -> None:
    assert osc.ns_from_time_tag(osc.time_tag_from_ns(unix_ns)) == unix_ns


PART = st.text(sorted(set(string.printable[:94]) - set(" #*,/?[]{}")), min_size=1, max_size=12)
ADDRESSES = st.lists(PART, min_size=1, max_size=4).map(lambda parts: "/" + "/".join(parts))
TEXTS = st.text(st.characters(exclude_characters="\0", codec="utf-8"), max_size=40)
FLOATS = st.floats(width=32, allow_nan=False)
TYPED = st.one_of(
    st.tuples(st.just("i"), st.integers(-(2**31), 2**31 - 1)),
    st.tuples(st.just("f"), FLOATS),
    st.tuples(st.just("s"), TEXTS),
    st.tuples(st.just("b"), st.binary(max_size=40)),
    st.tuples(st.just("h"), st.integers(-(2**63), 2**63 - 1)),
    st.tuples(st.just("d"), st.floats(allow_nan=False)),
    st.tuples(st.just("t"), st.integers(0, 2**64 - 1)),
    st.sampled_from([("T", True), ("F", False), ("N", None), ("I", None)]),
)


@st.composite
def messages(draw: st.DrawFn) -> Message:
    typed = draw(st.lists(TYPED, max_size=8))
    return Message(draw(ADDRESSES), "".join(tag for tag, _ in typed), tuple(value for _, value in typed))


@settings(deadline=None)
@given(messages())
def test_a_message_comes_back(message: Message) -> None:
    assert decode(encode_message(*message)) == Packet(osc.IMMEDIATELY, (message,))


@settings(deadline=None)
@given(st.lists(messages(), max_size=5), st.lists(messages(), max_size=3), st.integers(0, 2**64 - 1))
def test_a_bundle_comes_back_in_order(outer: list[Message], inner: list[Message], time_tag: int) -> None:
    nested = encode_bundle(time_tag, [encode_message(*message) for message in inner])
    packet = encode_bundle(time_tag, [*(encode_message(*message) for message in outer), nested])
    assert decode(packet) == Packet(time_tag, (*outer, *inner))


@settings(deadline=None)
@given(messages())
def test_python_osc_reads_what_is_written(message: Message) -> None:
    assume("I" not in message.tags)
    # python-osc takes a time tag apart into a date, so that one is compared by its bytes above.
    assume("t" not in message.tags)
    read = osc_message.OscMessage(encode_message(*message))
    assert read.address == message.address
    assert tuple(read.params) == message.arguments


@settings(deadline=None)
@given(ADDRESSES, st.lists(TYPED.filter(lambda typed: typed[0] in "ifsbhdTFN"), max_size=8))
def test_what_python_osc_writes_is_read(address: str, typed: list[tuple[str, osc.Argument]]) -> None:
    # python-osc writes a blob of no bytes as nothing at all, without its length.
    assume(("b", b"") not in typed)
    builder = OscMessageBuilder(address)
    for tag, value in typed:
        builder.add_arg(value, tag)
    bundle = OscBundleBuilder(0)
    bundle.add_content(builder.build())
    message = Message(address, "".join(tag for tag, _ in typed), tuple(value for _, value in typed))
    assert decode(builder.build().dgram).messages == (message,)
    assert decode(bundle.build().dgram).messages == (message,)


def test_python_osc_reads_our_bundle_and_its_time() -> None:
    packet = encode_bundle(osc.time_tag_from_ns(1_700_000_000_250_000_000), [OSCILLATOR, FOO])
    read = osc_bundle.OscBundle(packet)
    assert [content.address for content in read] == ["/oscillator/4/frequency", "/foo"]
    assert read.timestamp == 1_700_000_000.25


def test_not_a_number_goes_through() -> None:
    value = decode(encode_message("/track/1/fine", "f", (math.nan,))).messages[0].arguments[0]
    assert isinstance(value, float)
    assert math.isnan(value)


def test_an_integer_goes_where_a_float_is_wanted() -> None:
    assert decode(encode_message("/a", "fd", (1, 2))).messages[0].arguments == (1.0, 2.0)


@pytest.mark.parametrize(
    ("tags", "arguments"),
    [
        ("i", (2**31,)),
        ("i", (1.5,)),
        ("i", (True,)),
        ("i", ("1",)),
        ("f", (1e300,)),
        ("f", (10**400,)),
        ("h", (2**63,)),
        ("t", (-1,)),
        ("s", ("a\0b",)),
        ("s", ("\ud800",)),
        ("s", ("x" * 2049,)),
        ("s", (b"bytes",)),
        ("b", ("text",)),
        ("T", (False,)),
        ("N", (0,)),
        ("x", (1,)),
        ("i", ()),
        ("", (1,)),
        ("i" * 65, (0,) * 65),
    ],
)
def test_what_does_not_fit_is_not_written(tags: str, arguments: tuple[osc.Argument, ...]) -> None:
    with pytest.raises(OscError):
        encode_message("/a", tags, arguments)


@pytest.mark.parametrize("time_tag", [-1, 1 << 64])
def test_a_time_tag_has_64_bits(time_tag: int) -> None:
    with pytest.raises(OscError):
        encode_bundle(time_tag, [])


NAMELESS = ["", "/", "//", "a", "/a/", "//a", "/a//b", "/\xe9", "/a\x7f", "/a\n", "/" + "a" * 255]


@pytest.mark.parametrize("address", [*NAMELESS, *(f"/a{character}b" for character in " #*,?[]{}")])
def test_what_is_no_address(address: str) -> None:
    # OSC 1.0, "OSC Address Spaces": printable ASCII without space # * , / ? [ ] { } in the parts.
    with pytest.raises(OscError):
        encode_message(address)
    data = address.encode()
    packet = data + bytes(4 - len(data) % 4) + b",\0\0\0"
    with contextlib.suppress(OscError):
        assert decode(packet).messages == ()


def padded(data: bytes) -> bytes:
    return data + bytes(4 - len(data) % 4)


def bundle(*elements: bytes) -> bytes:
    return b"#bundle\0" + bytes(8) + b"".join(struct.pack(">i", len(element)) + element for element in elements)


def nested(depth: int) -> bytes:
    packet = bundle()
    for _ in range(depth - 1):
        packet = bundle(packet)
    return packet


BROKEN = {
    "nothing": b"",
    "not a multiple of 4": FOO + b"\0",
    "longer than a datagram": padded(b"/a") + padded(b",b") + struct.pack(">i", 65_536) + bytes(65_536),
    "no end of the address": b"/foo",
    "no end of the tags": b"/a\0\0,iii",
    "padding is not zero": b"/a\0x,\0\0\0",
    "padding is missing": b"/abc" + b",\0\0\0",
    "not ASCII in the address": padded(b"/\xc3\xa9") + padded(b","),
    "not UTF-8 in the address": padded(b"/\xff") + padded(b","),
    "not UTF-8 in a string": padded(b"/a") + padded(b",s") + padded(b"\xff\xfe"),
    "half a character in a string": padded(b"/a") + padded(b",s") + padded(b"\xe2\x82"),
    "a surrogate in a string": padded(b"/a") + padded(b",s") + padded(b"\xed\xa0\x80"),
    "argument missing": padded(b"/a") + padded(b",i"),
    "argument cut": padded(b"/a") + padded(b",d") + bytes(4),
    "argument cut after a string": padded(b"/a") + padded(b",sd") + padded(b"x") + bytes(4),
    "argument left over": padded(b"/a") + padded(b",i") + bytes(8),
    "string left over": padded(b"/a") + padded(b",s") + padded(b"x") + padded(b"y"),
    "string too long": padded(b"/a") + padded(b",s") + padded(b"x" * 2049),
    "too many arguments": padded(b"/a") + padded(b"," + b"i" * 65) + bytes(4 * 65),
    "blob of negative size": padded(b"/a") + padded(b",b") + struct.pack(">i", -4) + bytes(8),
    "blob longer than the message": padded(b"/a") + padded(b",b") + struct.pack(">i", 2**31 - 1) + bytes(8),
    "blob without size": padded(b"/a") + padded(b",b"),
    "blob with padding not zero": padded(b"/a") + padded(b",b") + struct.pack(">i", 1) + b"abcd",
    "bundle without time tag": b"#bundle\0" + bytes(4),
    "bundle element of size -4": b"#bundle\0" + bytes(8) + struct.pack(">i", -4),
    "bundle element of size 0": b"#bundle\0" + bytes(8) + struct.pack(">i", 0),
    "bundle element of odd size": b"#bundle\0" + bytes(8) + struct.pack(">i", 3) + b"/a\0\0",
    "bundle element beyond the end": b"#bundle\0" + bytes(8) + struct.pack(">i", 64) + FOO,
    "bundle broken at the end": bundle(FOO) + struct.pack(">i", 4),
    "5 nested bundles": nested(5),
    "3000 nested bundles": nested(3000),
    "more than 1024 messages": bundle(*[b"/a\0\0,\0\0\0"] * 1025),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_packets_are_refused(name: str) -> None:
    with pytest.raises(OscError) as refusal:
        decode(BROKEN[name])
    assert 0 < len(str(refusal.value)) < 100


def test_limits_are_reached() -> None:
    assert decode(nested(4)).messages == ()
    assert len(decode(bundle(*[b"/a\0\0,\0\0\0"] * 1024)).messages) == 1024
    assert len(decode(padded(b"/a") + padded(b"," + b"i" * 64) + bytes(4 * 64)).messages[0].arguments) == 64
    assert decode(FOO, 40).messages
    with pytest.raises(OscError, match="more than 39 bytes"):
        decode(FOO, 39)


def test_a_pattern_of_many_stars_is_refused_at_once() -> None:
    with pytest.raises(OscError):
        decode(padded(b"/" + b"*" * 200 + b"x") + padded(b","))


def test_an_unknown_type_refuses_its_message_alone() -> None:
    # OSC 1.0, "OSC Type Tag String": discard any message whose type tags are not all known.
    strange = padded(b"/strange") + padded(b",iQ") + bytes(8)
    assert decode(strange) == Packet(osc.IMMEDIATELY, (), ("/strange: unknown type tag",))
    read = decode(bundle(FOO, strange, OSCILLATOR))
    assert [message.address for message in read.messages] == ["/foo", "/oscillator/4/frequency"]
    assert read.refused == ("/strange: unknown type tag",)


def test_missing_type_tags() -> None:
    # OSC 1.0, same place: be robust to their absence. Without arguments nothing can be misread.
    assert decode(b"/a\0\0").messages == (Message("/a"),)
    assert decode(b"/a\0\0" + b"\0\0\0\1").refused == ("/a: arguments without type tags",)
    assert decode(b"/a\0\0" + b"a,f\0").refused == ("/a: arguments without type tags",)


def test_a_time_tag_in_the_future_is_only_a_number() -> None:
    assert decode(encode_bundle(2**64 - 1, [FOO])).time_tag == 2**64 - 1


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    for packet in (data, data + bytes(-len(data) % 4), b"#bundle\0" + data):
        with contextlib.suppress(OscError):
            assert isinstance(decode(packet), Packet)


@settings(deadline=None)
@given(messages(), st.data())
def test_a_changed_byte_is_read_or_refused(message: Message, data: st.DataObject) -> None:
    packet = bytearray(encode_bundle(osc.IMMEDIATELY, [encode_message(*message)]))
    packet[data.draw(st.integers(0, len(packet) - 1))] = data.draw(st.integers(0, 255))
    with contextlib.suppress(OscError):
        decode(bytes(packet))
