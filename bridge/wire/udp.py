"""UDP: datagrams in, datagrams out, without ever waiting.

Sending is done by whoever has something to say, in their own thread: a send either goes into the system's buffer at
once or is counted as lost. Receiving has a thread of its own, and not an event loop or a poll between blocks, because
then a flood of packets costs metering nothing but a bounded share of the processor (`turns`): after each turn the
thread sleeps, and what comes meanwhile waits in the system's buffer or is dropped there, for nothing.
"""

import contextlib
import errno
import ipaddress
import logging
import selectors
import socket
import struct
import sys
import threading
import time
from collections.abc import Callable, Iterator
from functools import lru_cache
from typing import Final, NamedTuple, Protocol

from bridge.wire.binding import refusal_of
from bridge.wire.episodes import Episode
from bridge.wire.osc import PACKET_BYTES
from bridge.wire.turns import LONGEST_PAUSE_S, TURN_S, pause_s

Address = tuple[str, int] | tuple[str, int, int, int]
"""As sockets have it: host and port, with flow and scope after them for IPv6."""


class Link(Protocol):
    """A connection: what one sender is answered by, when it did not send a datagram. From any thread."""

    def send(self, packet: bytes) -> bool:
        """Send what must not be missed. Never waits, never raises; False when it cannot be."""
        ...

    def show(self, packet: bytes) -> bool:
        """Send a frame; one that still waits is replaced. Never waits, never raises; False when it cannot be."""
        ...


class StreamPeer(NamedTuple):
    """Who is at the other end of a connection. Each connection is somebody else."""

    host: str
    port: int
    link: Link


Sender = Address | StreamPeer
"""Where a packet came from, and where answers and frames go."""

RECEIVE_BYTES: Final = 1472
"""Longest packet that is taken: one Ethernet frame (1500 − 20 − 8). A command has a tenth of that."""

_READ_BYTES: Final = PACKET_BYTES if sys.platform == "win32" else RECEIVE_BYTES + 1
"""What is read of a packet: one that is too long is cut, but still too long. Windows (from memory) raises an error in
place of cutting."""

BUFFER_BYTES: Final = 1 << 20
"""What is asked of the system for either direction: the frames of 64 tracks for 100 receivers. macOS (from memory)
sends no datagram longer than this buffer, and its default is 9216 bytes."""

_COUNTS_DROPS: Final = sys.platform == "linux"
_SO_MEMINFO: Final = 55
_MEMINFO: Final = struct.Struct("=9I")
"""Linux 4.12, asm-generic/socket.h and linux/sock_diag.h: SO_MEMINFO tells nine numbers of a socket, of which the last
is how many packets it has dropped."""

_MULTICAST_ALL: Final = ((socket.AF_INET, socket.IPPROTO_IP, 49), (socket.AF_INET6, socket.IPPROTO_IPV6, 29))
"""Linux, linux/in.h and in6.h: unless these are 0, a socket hears the groups that other programs have joined."""

JOINS_BY_INDEX: Final = sys.platform == "linux"
"""Whether a group of IPv4 is joined by the index of an interface, which stays when its address goes; otherwise it is
joined by one of its addresses."""

AGAIN_S: Final = 0.5
"""After an error of the network a connection is made anew so often: a network that is gone costs nothing with each
frame, and nobody misses half a second of it when it is back."""

RETURNED_S: Final = 5.0
"""A receiver without an error for so long is back. A host that is not there is told of every 3 s at least (Linux: three
questions for its hardware address, a second apart), a port that is not open once a second at least (Linux answers
for it no more often)."""

log = logging.getLogger(__name__)


class UdpError(Exception):
    """The socket cannot be had or the name is not known. The message says why, in one line."""


@lru_cache(maxsize=1024)
def is_loopback(host: str) -> bool:
    """Return whether a numeric host address is of this computer alone."""
    address = ipaddress.ip_address(host.partition("%")[0])
    mapped = getattr(address, "ipv4_mapped", None)
    return (mapped or address).is_loopback


def printable(address: Sender) -> str:
    """Return an address as people write it: ``192.0.2.7:9000``, ``[2001:db8::7]:9000``."""
    return f"[{address[0]}]:{address[1]}" if ":" in address[0] else f"{address[0]}:{address[1]}"


def resolve(destination: str) -> Address:
    """Return the address of ``host:port`` or ``[host]:port``. Asks the name service, so it may wait.

    Raises
    ------
    UdpError
        When it is not of that form or the host is not known.
    """
    host, colon, port = destination.rpartition(":")
    if host.startswith("[") and host.endswith("]"):
        host = host[1:-1]
    elif ":" in host:
        colon = ""
    if not (colon and host and port.isascii() and port.isdecimal() and 0 < int(port) < 65_536):
        raise UdpError(f"{destination!r} is not host:port, as in 192.0.2.7:9000 or [2001:db8::7]:9000")
    return lookup(host, int(port))


def lookup(host: str, port: int) -> Address:
    """Return the numeric address of a host. Asks the name service, so it may wait.

    Raises
    ------
    UdpError
        When the host is not known.
    """
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)
    except (OSError, UnicodeError) as error:
        raise UdpError(f"host {host!r} is not known: {error}") from None
    # Common practice, no source: many OSC receivers hear IPv4 alone, also where "localhost" means ::1 first.
    family, _, _, _, address = min(found, key=lambda entry: entry[0] != socket.AF_INET)
    numeric, _, *rest = address
    return (str(numeric), port) if family == socket.AF_INET else (str(numeric), port, int(rest[0]), int(rest[1]))


def _family(address: Address) -> socket.AddressFamily:
    return socket.AF_INET if len(address) == 2 else socket.AF_INET6


def _socket(family: socket.AddressFamily) -> socket.socket:
    made = socket.socket(family, socket.SOCK_DGRAM)
    made.setblocking(False)
    for option in (socket.SO_SNDBUF, socket.SO_RCVBUF):
        # Some systems refuse more than their limit instead of giving what they have.
        with contextlib.suppress(OSError):
            made.setsockopt(socket.SOL_SOCKET, option, BUFFER_BYTES)
    return made


def _of_interface(own: str, index: int) -> bytes:
    """Return what stands behind the group in a membership of IPv4, to name an interface.

    Linux (ip(7)) has ``struct ip_mreqn``: an address, which is left out, and the index. All systems take ``struct
    ip_mreq``, an address of the interface; macOS (from memory) may read no further than that, and would then choose the
    interface itself. On Linux both are tried; on macOS, FreeBSD and Windows nothing is.
    """
    return bytes(4) + struct.pack("@i", index) if JOINS_BY_INDEX else socket.inet_aton(own)


@contextlib.contextmanager
def _telling(what: str, *, unless: int) -> Iterator[None]:
    """Raise `UdpError` for an error of the system, except the one that says that it is so already."""
    try:
        yield
    except OSError as error:
        if error.errno != unless:
            raise UdpError(f"{what}: {error.strerror}") from None


class UdpDestination:
    """A fixed receiver: has a connected socket of its own, so that the system tells when nobody is there.

    For one thread at a time. A receiver that is gone costs one system call a frame; when it is back, so are the frames.

    Parameters
    ----------
    address : Address
        Where it hears.
    prepare : callable, optional
        Sets up each socket before it is used. May raise OSError. It is asked again after a while, not with each packet.
    """

    def __init__(self, address: Address, prepare: Callable[[socket.socket], None] | None = None) -> None:
        self.address = address
        self._prepare = prepare
        self.lost_packets = 0
        self._socket: socket.socket | None = None
        self._again_s = 0.0
        self._failed_s: float | None = None
        self.problem = ""
        """Why it is not reached, in one line; empty when nothing is known against it."""

    def send(self, packet: bytes) -> bool:
        """Send, or count it as lost. Never waits, never raises."""
        now_s = time.monotonic()
        if self._socket is None and now_s < self._again_s:
            self.lost_packets += 1
            return False
        try:
            if self._socket is None:
                self._connect()
            assert self._socket is not None
            self._socket.send(packet)
        except OSError as error:
            self.lost_packets += 1
            self._fail(f"cannot send to {printable(self.address)}: {error.strerror or error}", now_s)
            if error.errno not in (errno.EAGAIN, errno.EWOULDBLOCK, errno.ENOBUFS, errno.ECONNREFUSED, errno.EMSGSIZE):
                # The network has changed under the connection: make it anew, soon.
                self.close()
                self._again_s = now_s + AGAIN_S
            return False
        # The system takes a packet for somebody who is gone, and says so only with the next one.
        if self._failed_s is not None and now_s - self._failed_s > RETURNED_S:
            self._failed_s, self.problem = None, ""
            log.info("%s receives again", printable(self.address))
        return True

    def _fail(self, problem: str, now_s: float) -> None:
        if self._failed_s is None:
            log.warning("%s", problem)
        self._failed_s, self.problem = now_s, problem

    def _connect(self) -> None:
        self._socket = _socket(_family(self.address))
        if self._prepare is not None:
            self._prepare(self._socket)
        self._socket.connect(self.address)

    def close(self) -> None:
        """Let go of the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None


class UdpEndpoint:
    """The port at which commands arrive, and from which they and subscribers are answered.

    Parameters
    ----------
    listen : str
        Address to listen at: ``127.0.0.1`` and ``::1`` hear this computer alone, ``0.0.0.0`` every IPv4 network, ``::``
        every network of IPv6 and IPv4.
    port : int
        Port; 0 lets the system choose.

    Raises
    ------
    UdpError
        When the address is not of this computer or the port is taken.
    """

    def __init__(self, listen: str, port: int) -> None:
        self._sockets: dict[socket.AddressFamily, socket.socket] = {}
        self._wake_out, self._wake_in = socket.socketpair()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()
        self._lost_packets = 0
        self._losing = Episode()
        self._dropped: dict[socket.AddressFamily, int] = {}
        try:
            self.address = self._bind(lookup(listen, port))
            if self.address[0] == "::":
                self._bind(("0.0.0.0", self.address[1]))
        except (OSError, UdpError) as error:
            self.stop()
            reason = refusal_of(error) if isinstance(error, OSError) else error
            raise UdpError(f"cannot listen at {listen} port {port}: {reason}") from None

    def _bind(self, address: Address) -> Address:
        family = _family(address)
        made = self._sockets[family] = _socket(family)
        if family == socket.AF_INET6:
            # Senders over IPv4 shall have IPv4 addresses; they have a socket of their own.
            made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        if sys.platform == "linux":
            for of, level, option in _MULTICAST_ALL:
                # That of IPv6 is younger than some kernels.
                with contextlib.suppress(OSError):
                    if of == family:
                        made.setsockopt(level, option, 0)
        made.bind(address)
        bound: Address = made.getsockname()
        return bound

    @property
    def lost_packets(self) -> int:
        """Packets that could not be sent."""
        return self._lost_packets

    @property
    def dropped_packets(self) -> int:
        """Packets that came faster than they were read, as far as the system says (Linux)."""
        self._count_dropped()
        return sum(self._dropped.values())

    def _count_dropped(self) -> None:
        if _COUNTS_DROPS:
            for family, one in self._sockets.items():
                # A socket that is closed tells no more.
                with contextlib.suppress(OSError):
                    said = one.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, _MEMINFO.size)
                    self._dropped[family] = _MEMINFO.unpack(said)[-1]

    def join(self, group: str, own: str, index: int) -> None:
        """Hear a multicast group as well: only where every network is listened to (RFC 1112, 7; RFC 3493, 5.2).

        Parameters
        ----------
        group : str
            Its numeric address. One that is heard already is no fault.
        own, index : str, int
            Of the network interface: one of its addresses, of the group's version of IP, and its index.

        Raises
        ------
        UdpError
            When it cannot be.
        """
        with _telling(f"cannot hear the multicast group {group}", unless=errno.EADDRINUSE):
            self._change_membership(group, own, index, socket.IP_ADD_MEMBERSHIP, socket.IPV6_JOIN_GROUP)

    def leave(self, group: str, own: str, index: int) -> None:
        """Hear a group no more; with the arguments and the error of `join`.

        That it is not heard is no fault: the system may have ended that, with the interface.
        """
        with _telling(f"cannot leave the multicast group {group}", unless=errno.EADDRNOTAVAIL):
            self._change_membership(group, own, index, socket.IP_DROP_MEMBERSHIP, socket.IPV6_LEAVE_GROUP)

    def require_family(self, group: str) -> None:
        """Raise `UdpError` when a group is not of the family of the listening address."""
        if (socket.AF_INET6 if ":" in group else socket.AF_INET) not in self._sockets:
            reason = "not of the family of the listening address"
            raise UdpError(f"cannot hear the multicast group {group}: {reason}")

    def _change_membership(self, group: str, own: str, index: int, option_4: int, option_6: int) -> None:
        self.require_family(group)
        if ":" in group:
            member = socket.inet_pton(socket.AF_INET6, group) + struct.pack("@I", index)
            self._sockets[socket.AF_INET6].setsockopt(socket.IPPROTO_IPV6, option_6, member)
        else:
            member = socket.inet_aton(group) + _of_interface(own, index)
            self._sockets[socket.AF_INET].setsockopt(socket.IPPROTO_IP, option_4, member)

    def send(self, packet: bytes, to: Address) -> bool:
        """Send, or count it as lost. Never waits, never raises; from any thread."""
        try:
            self._sockets[_family(to)].sendto(packet, to)
        except (OSError, KeyError) as error:
            with self._lock:
                self._lost_packets += 1
                first = self._losing.happened(time.monotonic())
            if first:
                reason = error.strerror if isinstance(error, OSError) else "not of the family of the listening address"
                log.warning("cannot send to %s: %s", printable(to), reason)
            return False
        return True

    def start(self, receive: Callable[[bytes, Address, float], None]) -> None:
        """Begin to hear.

        Parameters
        ----------
        receive : callable
            Called in the receiving thread with each packet, its sender and the monotonic time. Packets of more than
            `RECEIVE_BYTES` come cut, and still longer than that.
        """
        self._thread = threading.Thread(target=self._hear, args=(receive,), name="udp", daemon=True)
        self._thread.start()

    def _hear(self, receive: Callable[[bytes, Address, float], None]) -> None:
        with selectors.DefaultSelector() as selector:
            selector.register(self._wake_out, selectors.EVENT_READ)
            for one in self._sockets.values():
                selector.register(one, selectors.EVENT_READ)
            while not self._stopping.is_set():
                for key, _ in selector.select():
                    if isinstance(key.fileobj, socket.socket) and key.fileobj is not self._wake_out:
                        self._take(key.fileobj, receive)

    def _take(self, one: socket.socket, receive: Callable[[bytes, Address, float], None]) -> None:
        began_s = now_s = time.monotonic()
        worked_s = -time.thread_time()
        while now_s - began_s < TURN_S:
            try:
                packet, sender = one.recvfrom(_READ_BYTES)
            except BlockingIOError:
                return
            except OSError:
                # Some systems report here that an earlier answer found nobody. There may be packets behind it.
                break
            try:
                receive(packet, sender, now_s)
            except Exception:
                # A fault of ours: the next packet may be without it, and nobody but this thread would hear it.
                log.exception("a packet from %s could not be handled", printable(sender))
            now_s = time.monotonic()
        # One packet may take longer than a turn. What counts is the work, not how long others have had the processor.
        self._stopping.wait(pause_s(worked_s + time.thread_time(), LONGEST_PAUSE_S))

    def stop(self) -> None:
        """Stop hearing and let go of the sockets. Never raises; also when never started."""
        self._stopping.set()
        with contextlib.suppress(OSError):
            self._wake_in.send(b"\0")
        if self._thread is not None:
            self._thread.join(1.0)
        self._count_dropped()
        for one in (*self._sockets.values(), self._wake_in, self._wake_out):
            one.close()
