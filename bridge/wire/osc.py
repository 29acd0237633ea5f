"""The OSC codec: bytes in, messages out, and the reverse. Pure; strict with strangers' packets.

Everything follows "The Open Sound Control 1.0 Specification" (M. Wright, 26 March 2002), with the types T F N I of its
list of "less common" tags. Whatever the bytes are, `decode` returns a `Packet` or raises `OscError`, in time that is
proportional to their number.
"""

import re
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, NamedTuple

Argument = int | float | str | bytes | bool | None

PACKET_BYTES: Final = 65_507
"""Most bytes of a packet: the largest payload of a UDP datagram over IPv4 (65,535 − 20 − 8)."""

NESTING: Final = 4
"""Deepest bundle within bundles. One level is common, two are rare; four keep the recursion shallow."""

MESSAGES: Final = 1024
"""Most messages of a packet. Our own largest frame, 64 tracks, has about 340."""

ARGUMENTS: Final = 64
"""Most arguments of a message. Ours have at most six; a fader bank that sends all its values has 64."""

STRING_BYTES: Final = 2048
"""Longest string argument. The longest that anything here takes is a note of 500 characters."""

ADDRESS_BYTES: Final = 255
"""Longest address. Ours have at most 24 characters."""

IMMEDIATELY: Final = 1
"""The time tag that means "now" (OSC 1.0, "Temporal Semantics and OSC Time Tags")."""

_NTP_EPOCH_S: Final = 2_208_988_800
"""Seconds from 1900-01-01, where NTP counts from (RFC 5905, 6), to 1970-01-01, where Unix does."""

_BUNDLE: Final = b"#bundle\0"
_HEADER: Final = struct.Struct(">8sQ")
_INT32: Final = struct.Struct(">i")
_COMMA: Final = ord(",")
_NO_NUMBERS: Final = struct.Struct("")
_NUMBERS: Final = {
    "i": struct.Struct(">i"),
    "f": struct.Struct(">f"),
    "h": struct.Struct(">q"),
    "t": struct.Struct(">Q"),
    "d": struct.Struct(">d"),
}
_CONSTANTS: Final = {"T": True, "F": False, "N": None, "I": None}
_TAGS: Final = frozenset(_NUMBERS) | frozenset(_CONSTANTS) | {"s", "b"}
_ADDRESS: Final = re.compile(r"(?:/[!\"$-)+\-.0->@-Z\\^-z|~]+)+")
"""Parts of printable ASCII without space # * , / ? [ ] { } (OSC 1.0, "OSC Address Spaces"): no patterns either."""


class OscError(ValueError):
    """Bytes or values that cannot be read or written as OSC. The message is a short reason."""


class _UnknownTypeError(OscError):
    """A message with arguments that cannot be told apart; the rest of its packet can still be read."""


class Message(NamedTuple):
    """One OSC message.

    Parameters
    ----------
    address : str
        Printable ASCII that begins with a slash.
    tags : str
        Type tags without the comma, one a value of ``arguments``.
    arguments : tuple
        int for i h t, float for f d, str for s, bytes for b, True for T, False for F, None for N and I.
    """

    address: str
    tags: str = ""
    arguments: tuple[Argument, ...] = ()


@dataclass(frozen=True, slots=True)
class Packet:
    """What a packet holds, in the order of its bytes.

    ``time_tag`` is that of the outermost bundle, `IMMEDIATELY` for a message alone. ``refused`` has a reason for each
    message that OSC 1.0 wants discarded for an unknown type tag ("OSC Type Tag String"), without its packet.
    """

    time_tag: int
    messages: tuple[Message, ...]
    refused: tuple[str, ...] = ()


def decode(data: bytes, most_bytes: int = PACKET_BYTES) -> Packet:
    """Read a packet.

    Parameters
    ----------
    data : bytes
        The payload of one datagram.
    most_bytes : int
        Longer packets are refused unread.

    Raises
    ------
    OscError
        When the packet breaks OSC 1.0 or a limit of this module. Nothing else is ever raised.
    """
    if len(data) > most_bytes:
        raise OscError(f"packet of more than {most_bytes} bytes")
    if len(data) % 4:
        raise OscError("length is not a multiple of 4")
    found = _Found([], [])
    if data.startswith(_BUNDLE):
        _read_bundle(data, 0, len(data), found)
        time_tag = _HEADER.unpack_from(data)[1]
    else:
        _read_message(data, 0, len(data), found)
        time_tag = IMMEDIATELY
    return Packet(time_tag, tuple(found.messages), tuple(found.refused))


class _Found(NamedTuple):
    messages: list[Message]
    refused: list[str]


def _read_bundle(data: bytes, start: int, end: int, into: _Found, depth: int = 1) -> None:
    if depth > NESTING:
        raise OscError(f"bundles nested more than {NESTING} deep")
    if end - start < _HEADER.size:
        raise OscError("bundle without time tag")
    position = start + _HEADER.size
    while position < end:
        size = _INT32.unpack_from(data, position)[0]
        position += 4
        if size <= 0 or size % 4 or size > end - position:
            raise OscError("bundle element of impossible size")
        if data.startswith(_BUNDLE, position):
            _read_bundle(data, position, position + size, into, depth + 1)
        else:
            _read_message(data, position, position + size, into)
        position += size


def _read_message(data: bytes, start: int, end: int, into: _Found) -> None:
    if len(into.messages) + len(into.refused) >= MESSAGES:
        raise OscError(f"more than {MESSAGES} messages")
    # An address has no comma, so the first one opens the type tags; without one all of it is address.
    comma = data.find(b",", start, end)
    stop = data.find(0, comma, end) if comma >= 0 else -1
    position = (stop + 4) & ~3 if stop >= 0 else end
    try:
        address, tags, numbers = _read_head(data[start:position])
    except _UnknownTypeError as error:
        into.refused.append(str(error))
        return
    arguments: tuple[Argument, ...]
    if numbers is None:
        arguments = _read_arguments(data, position, end, tags)
    elif end - position == numbers.size:
        arguments = numbers.unpack_from(data, position)
    else:
        raise OscError("arguments do not fill the message")
    into.messages.append(Message(address, tags, arguments))


@lru_cache(maxsize=1024)
def _read_head(head: bytes) -> tuple[str, str, struct.Struct | None]:
    """Read address and type tags, and how the arguments lie when all are numbers: the same few come again and again."""
    address, position = _read_string(head, 0, len(head), ADDRESS_BYTES)
    if not _ADDRESS.fullmatch(address):
        raise OscError("not an address")
    if position == len(head):
        # Some older senders leave out the type tags, and OSC 1.0 asks to be robust to it: with no bytes left there is
        # nothing to misread.
        return address, "", _NO_NUMBERS
    if head[position] != _COMMA:
        raise _UnknownTypeError(f"{address}: arguments without type tags")
    tags, _ = _read_string(head, position, len(head), ARGUMENTS + 1)
    tags = tags[1:]
    if not _TAGS.issuperset(tags):
        raise _UnknownTypeError(f"{address}: unknown type tag")
    if _NUMBERS.keys() >= set(tags):
        return address, tags, struct.Struct(">" + "".join(_NUMBERS[tag].format[1:] for tag in tags))
    return address, tags, None


def _read_arguments(data: bytes, position: int, end: int, tags: str) -> tuple[Argument, ...]:
    arguments: list[Argument] = []
    argument: Argument
    for tag in tags:
        if tag == "s":
            argument, position = _read_string(data, position, end, STRING_BYTES)
        elif tag == "b":
            argument, position = _read_blob(data, position, end)
        elif tag in _CONSTANTS:
            argument = _CONSTANTS[tag]
        else:
            number = _NUMBERS[tag]
            if end - position < number.size:
                raise OscError("message ends within an argument")
            argument = number.unpack_from(data, position)[0]
            position += number.size
        arguments.append(argument)
    if position != end:
        raise OscError("arguments do not fill the message")
    return tuple(arguments)


def _read_string(data: bytes, start: int, end: int, most_bytes: int) -> tuple[str, int]:
    stop = data.find(0, start, end)
    if stop < 0 or stop - start > most_bytes:
        raise OscError("string without end or too long")
    after = (stop + 4) & ~3
    if after > end or data[stop:after].strip(b"\0"):
        raise OscError("string not padded with zeros to a multiple of 4")
    try:
        return data[start:stop].decode(), after
    except UnicodeDecodeError:
        raise OscError("string is neither ASCII nor UTF-8") from None


def _read_blob(data: bytes, start: int, end: int) -> tuple[bytes, int]:
    if end - start < 4:
        raise OscError("message ends within an argument")
    size = _INT32.unpack_from(data, start)[0]
    stop = start + 4 + size
    after = (stop + 3) & ~3
    if size < 0 or after > end:
        raise OscError("blob of impossible size")
    if data[stop:after].strip(b"\0"):
        raise OscError("blob not padded with zeros to a multiple of 4")
    return data[start + 4 : stop], after


def encode_message(address: str, tags: str = "", arguments: Sequence[Argument] = ()) -> bytes:
    """Write a message.

    Parameters
    ----------
    address, tags, arguments
        As in `Message`. An integer is taken where the tag wants a float.

    Raises
    ------
    OscError
        When a value does not fit its tag, or what is written could not be read back by `decode`.
    """
    if len(tags) != len(arguments) or len(tags) > ARGUMENTS:
        raise OscError(f"{len(arguments)} arguments for {len(tags)} type tags (at most {ARGUMENTS})")
    if len(address) > ADDRESS_BYTES or not _ADDRESS.fullmatch(address):
        raise OscError("not an address")
    parts = [_padded(address), _padded("," + tags)]
    for tag, argument in zip(tags, arguments, strict=True):
        parts.append(_encode_argument(tag, argument))
    return b"".join(parts)


def _encode_argument(tag: str, argument: Argument) -> bytes:
    if tag == "s" and isinstance(argument, str):
        return _padded(argument)
    if tag == "b" and isinstance(argument, bytes):
        return _INT32.pack(len(argument)) + argument + bytes(-len(argument) % 4)
    if tag in _CONSTANTS and argument is _CONSTANTS[tag]:
        return b""
    if tag in _NUMBERS and isinstance(argument, int | float) and not isinstance(argument, bool):
        try:
            return _NUMBERS[tag].pack(argument)
        except (struct.error, OverflowError):
            pass
    raise OscError(f"value does not fit type tag {tag!r}")


def _padded(text: str) -> bytes:
    try:
        data = text.encode()
    except UnicodeEncodeError:
        raise OscError("string cannot be written as UTF-8") from None
    if 0 in data or len(data) > STRING_BYTES:
        raise OscError("string has a zero in it or is too long")
    return data + bytes(4 - len(data) % 4)


def encode_bundle(time_tag: int, elements: Sequence[bytes]) -> bytes:
    """Write a bundle of elements that are written already (messages or bundles).

    Raises
    ------
    OscError
        When the time tag is not a number of 64 bits.
    """
    if not 0 <= time_tag < 1 << 64:
        raise OscError("time tag is not a number of 64 bits")
    parts = [_HEADER.pack(_BUNDLE, time_tag)]
    for element in elements:
        parts.append(_INT32.pack(len(element)))
        parts.append(element)
    return b"".join(parts)


def time_tag_from_ns(unix_ns: int) -> int:
    """Return the time tag of a Unix time in nanoseconds: NTP format, seconds in the upper 32 bits (RFC 5905, 6).

    Seconds wrap in February 2036, as NTP's eras do.
    """
    seconds, rest_ns = divmod(unix_ns, 1_000_000_000)
    return ((seconds + _NTP_EPOCH_S) & 0xFFFF_FFFF) << 32 | (rest_ns << 32) // 1_000_000_000


def ns_from_time_tag(time_tag: int) -> int:
    """Return the Unix time in nanoseconds of a time tag; those before 1970 are taken for the era after 2036."""
    seconds = (time_tag >> 32) - _NTP_EPOCH_S
    if seconds < 0:
        seconds += 1 << 32
    # The tag was rounded down by less than 1/4 ns: rounding to the nearest finds the nanosecond again.
    return seconds * 1_000_000_000 + (((time_tag & 0xFFFF_FFFF) * 1_000_000_000 + (1 << 31)) >> 32)
