"""Packets in a stream: bytes as they come in; whole packets out, and the reverse. Pure.

A stream has no packets, so something must part them. OSC 1.0 ("OSC Packets") puts the size before each, as int32.
OSC 1.1 (Freed & Schmeder, "Features and Future of Open Sound Control version 1.1 for NIME", NIME 2009) wants SLIP
(RFC 1055) with END before and after each.
"""

import struct
from typing import Final, Protocol

_INT32: Final = struct.Struct(">i")
_END: Final = b"\xc0"
_ESC: Final = b"\xdb"
_ESC_END: Final = b"\xdb\xdc"
_ESC_ESC: Final = b"\xdb\xdd"


class FramingError(ValueError):
    """The stream cannot be parted any more: nobody knows where the next packet begins."""


class Framing(Protocol):
    """One direction of one stream."""

    def feed(self, data: bytes) -> list[bytes]:
        """Return the packets that end within ``data``; one that is too long comes cut, and is still too long."""
        ...


def with_size(packet: bytes) -> bytes:
    """Return a packet with its size before it."""
    return _INT32.pack(len(packet)) + packet


def with_ends(packet: bytes) -> bytes:
    """Return a packet between two END, with what looks like them escaped."""
    return _END + packet.replace(_ESC, _ESC_ESC).replace(_END, _ESC_END) + _END


class SizeFraming:
    """Parts a stream by the size before each packet.

    Parameters
    ----------
    most_bytes : int
        A longer packet, or one of no length, is an error: it would have to be waited for.
    """

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Return the packets that end within ``data``.

        Raises
        ------
        FramingError
            When a size is impossible. Packets before it are lost with it.
        """
        data = self._rest + data
        packets, position = [], 0
        while len(data) - position >= _INT32.size:
            size = _INT32.unpack_from(data, position)[0]
            if not 0 < size <= self._most_bytes:
                raise FramingError(f"a packet of {size} bytes is announced: 1 to {self._most_bytes} are taken")
            end = position + _INT32.size + size
            if end > len(data):
                break
            packets.append(data[position + _INT32.size : end])
            position = end
        self._rest = data[position:]
        return packets


class SlipFraming:
    """Parts a stream by END; finds its way again after any fault.

    An escape that is none is left as it is, as in the example of RFC 1055 (from memory).
    """

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        # Every byte of a packet may come as two.
        self._most_raw_bytes = 2 * most_bytes + 2
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Return the packets that end within ``data``."""
        *ended, rest = (self._rest + data).split(_END)
        self._rest = rest[: self._most_raw_bytes]
        return [self._plain(raw) for raw in ended if raw]

    def _plain(self, raw: bytes) -> bytes:
        plain = raw[: self._most_raw_bytes].replace(_ESC_END, _END).replace(_ESC_ESC, _ESC)
        return plain[: self._most_bytes + 1]
