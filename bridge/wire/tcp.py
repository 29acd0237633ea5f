"""OSC over TCP: connections in; packets with who sent them out; answers and frames back, without ever waiting.

One thread does all reading and sending. Whoever has something to say only lays it down at the connection: frames into
a slot for the newest, what must not be missed into a short queue. Who reads too slowly is cut off, and nobody else
notices.
"""

import contextlib
import logging
import selectors
import socket
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Final, Literal

from bridge.wire.binding import refusal_of
from bridge.wire.episodes import Episode, Vanishings
from bridge.wire.framing import Framing, FramingError, SizeFraming, SlipFraming, with_ends, with_size
from bridge.wire.turns import PAUSE_S, TURN_S, pause_s
from bridge.wire.udp import RECEIVE_BYTES, Sender, StreamPeer, UdpError, lookup, printable

CONNECTIONS: Final = 32
CONNECTIONS_A_HOST: Final = 16
"""Most connections at one time, so that a program that forgets to close them does not lock out the others."""

STUCK_S: Final = 1.0
"""A connection that takes nothing for so long, while something waits for it, is cut off."""

KEEP_ALIVE_S: Final = 60
"""A connection that was silent for so long is asked by the system whether it is still there: a foot switch may rest for
hours, and a computer that was switched off says no good-bye."""

PACKETS: Final = 64
"""Answers and trims that wait for a connection. More means that it does not read."""

READ_BYTES: Final = 4096
"""Read at a time: some 300 of the shortest packets, which take a few milliseconds."""

SEND_BUFFER_BYTES: Final = 1 << 16
"""Asked of the system for each connection: half a second of frames of 24 tracks. With megabytes in between, a reader
that was slow for a while would be shown the past."""

_log = logging.getLogger(__name__)


class _Connection:
    """One connection; the `Link` of its peer."""

    def __init__(self, made: socket.socket, host: str, port: int, slip: bool, wake: Callable[[], None]) -> None:
        self.socket = made
        self.peer = StreamPeer(host, port, self)
        self.framing: Framing = SlipFraming(RECEIVE_BYTES) if slip else SizeFraming(RECEIVE_BYTES)
        self.lost_packets = 0
        self._framed = with_ends if slip else with_size
        self._wake = wake
        self._lock = threading.Lock()
        self._packets: deque[bytes] = deque()
        self._frame: bytes | None = None
        self._sending = memoryview(b"")
        self._stuck_since_s: float | None = None
        self._is_over = False

    def send(self, packet: bytes) -> bool:
        """Lay down what must not be missed."""
        with self._lock:
            if self._is_over:
                return False
            if len(self._packets) >= PACKETS:
                self.lost_packets += 1
                return False
            self._packets.append(packet)
        self._wake()
        return True

    def show(self, packet: bytes) -> bool:
        """Lay down a frame in place of the one that may wait."""
        with self._lock:
            if self._is_over:
                return False
            self._frame = packet
        self._wake()
        return True

    def flush(self) -> bool:
        """Send what waits. Return whether something still does. For the thread of the server.

        Raises
        ------
        OSError
            When the connection is no more.
        """
        while self._sending or self._take_next():
            try:
                sent = self.socket.send(self._sending)
            except BlockingIOError:
                self._stuck_since_s = self._stuck_since_s or time.monotonic()
                return True
            self._sending = self._sending[sent:]
            self._stuck_since_s = None
        return False

    def _take_next(self) -> bool:
        with self._lock:
            if self._packets:
                packet = self._packets.popleft()
            elif self._frame is not None:
                packet, self._frame = self._frame, None
            else:
                return False
        self._sending = memoryview(self._framed(packet))
        return True

    def is_stuck(self, now_s: float) -> bool:
        """Whether it has taken nothing for too long."""
        return self._stuck_since_s is not None and now_s - self._stuck_since_s > STUCK_S

    def close(self) -> None:
        """Let go of it; what waits is lost."""
        with self._lock:
            self._is_over = True
            self.lost_packets += len(self._packets)
            self._packets.clear()
            self._frame = None
        self.socket.close()


class TcpServer:
    """The TCP port at which commands arrive, and by which they and subscribers are answered.

    Parameters
    ----------
    listen : str
        As for `bridge.wire.udp.UdpEndpoint`.
    port : int
        Port; 0 lets the system choose.
    framing : {"size", "slip"}
        What parts the packets, in both directions.

    Raises
    ------
    UdpError
        When the address is not of this computer or the port is taken.
    """

    def __init__(self, listen: str, port: int, framing: Literal["size", "slip"]) -> None:
        self._slip = framing == "slip"
        self._listening: list[socket.socket] = []
        self._connections: list[_Connection] = []
        self._wake_out, self._wake_in = socket.socketpair()
        self._wake_in.setblocking(False)
        self._is_woken = False
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._receive: Callable[[bytes, Sender, float], None] = lambda *_: None
        self._closed: Callable[[StreamPeer], None] = lambda _: None
        self._refusing = Episode()
        self._lost_packets = 0
        self._worked_s = 0.0
        self.refused_connections = 0
        self.cut_offs = 0
        self._vanishings = Vanishings(_log)
        try:
            host, port = self._bind(listen, port)[:2]
            if host == "::":
                self._bind("0.0.0.0", port)
        except (OSError, UdpError) as error:
            self.stop()
            reason = refusal_of(error) if isinstance(error, OSError) else error
            raise UdpError(f"cannot listen at {listen} TCP port {port}: {reason}") from None
        self.address = (host, port)

    def _bind(self, listen: str, port: int) -> tuple[str, int]:
        address = lookup(listen, port)
        family = socket.AF_INET if len(address) == 2 else socket.AF_INET6
        made = socket.socket(family, socket.SOCK_STREAM)
        self._listening.append(made)
        made.setblocking(False)
        if sys.platform != "win32":
            # Not to wait for connections of the run before; on Windows it would let two programs have one port.
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # Set here, the accepted ones have it before the window is agreed on.
        made.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        if family == socket.AF_INET6:
            made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        made.bind(address)
        made.listen(CONNECTIONS)
        own = made.getsockname()
        return own[0], own[1]

    @property
    def lost_connections(self) -> int:
        """Connections that ended without a good-bye."""
        return self._vanishings.count

    @property
    def lost_packets(self) -> int:
        """Answers and trims that connections did not take. Frames are not counted: the next one makes them good."""
        return self._lost_packets + sum(one.lost_packets for one in tuple(self._connections))

    def start(self, receive: Callable[[bytes, Sender, float], None], closed: Callable[[StreamPeer], None]) -> None:
        """Begin to hear.

        Parameters
        ----------
        receive : callable
            Called in the thread of the server with each packet, its sender and the monotonic time.
        closed : callable
            Called there with each peer whose connection has ended.
        """
        self._receive, self._closed = receive, closed
        self._thread = threading.Thread(target=self._run, name="osc tcp", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End all connections and let go of the port. Never raises; also when never started."""
        self._stopping.set()
        self._wake()
        if self._thread is not None:
            self._thread.join(1.0)
        for connection in self._connections:
            connection.close()
        for one in (*self._listening, self._wake_in, self._wake_out):
            one.close()

    def _wake(self) -> None:
        if not self._is_woken:
            self._is_woken = True
            with contextlib.suppress(OSError):
                self._wake_in.send(b"\0")

    def _run(self) -> None:
        with selectors.DefaultSelector() as selector:
            for one in (*self._listening, self._wake_out):
                selector.register(one, selectors.EVENT_READ, one)
            while not self._stopping.is_set():
                # Without connections nothing can be stuck.
                ready = selector.select(STUCK_S / 4 if self._connections else None)
                began_s = time.thread_time()
                for key, _ in ready:
                    if key.fileobj is self._wake_out:
                        self._wake_out.recv(READ_BYTES)
                        self._is_woken = False
                    elif isinstance(key.data, _Connection):
                        self._read(key.data, selector)
                    else:
                        self._accept(key.data, selector)
                self._worked_s += time.thread_time() - began_s
                for connection in tuple(self._connections):
                    self._attend(connection, selector)
                self._rest(bool(ready))

    def _rest(self, was_busy: bool) -> None:
        """Sleep off what reading has cost, as for datagrams: under a flood five sixths of the time."""
        if not was_busy:
            self._worked_s = 0.0
        elif self._worked_s > TURN_S:
            self._stopping.wait(pause_s(self._worked_s))
            self._worked_s = 0.0

    def _accept(self, listening: socket.socket, selector: selectors.BaseSelector) -> None:
        try:
            made, address = listening.accept()
        except OSError:
            # It has gone again already, or there are no descriptors left: neither is ours to mend.
            self._stopping.wait(PAUSE_S)
            return
        hosts = [one.peer.host for one in self._connections]
        if len(hosts) >= CONNECTIONS or hosts.count(address[0]) >= CONNECTIONS_A_HOST:
            self.refused_connections += 1
            made.close()
            if self._refusing.happened(time.monotonic()):
                _log.warning("refused a connection of %s: there are too many already", printable(address))
            return
        made.setblocking(False)
        with contextlib.suppress(OSError):
            made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            made.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            if hasattr(socket, "TCP_KEEPIDLE"):
                made.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, KEEP_ALIVE_S)
        connection = _Connection(made, address[0], address[1], self._slip, self._wake)
        self._connections.append(connection)
        selector.register(made, selectors.EVENT_READ, connection)

    def _read(self, connection: _Connection, selector: selectors.BaseSelector) -> None:
        now_s = time.monotonic()
        try:
            data = connection.socket.recv(READ_BYTES)
            packets = connection.framing.feed(data)
        except BlockingIOError:
            return
        except OSError:
            self._vanished(connection, selector)
            return
        except FramingError as error:
            self._cut_off(connection, selector, f"cannot be understood: {error}", now_s)
            return
        for packet in packets:
            try:
                self._receive(packet, connection.peer, now_s)
            except Exception:
                # A fault of ours: the next packet may be without it, and nobody but this thread would hear it.
                _log.exception("a packet from %s could not be handled", printable(connection.peer))
        if not data:
            self._end(connection, selector)

    def _attend(self, connection: _Connection, selector: selectors.BaseSelector) -> None:
        """Send what waits for a connection, and see whether it takes it."""
        now_s = time.monotonic()
        try:
            waits = connection.flush()
        except OSError:
            self._vanished(connection, selector)
            return
        if connection.is_stuck(now_s):
            self._cut_off(connection, selector, f"took nothing for {STUCK_S:g} s", now_s)
            return
        events = selectors.EVENT_READ | (selectors.EVENT_WRITE if waits else 0)
        if selector.get_key(connection.socket).events != events:
            selector.modify(connection.socket, events, connection)

    def _cut_off(self, connection: _Connection, selector: selectors.BaseSelector, why: str, now_s: float) -> None:
        self.cut_offs += 1
        if self._refusing.happened(now_s):
            _log.warning("%s was cut off: it %s", printable(connection.peer), why)
        self._end(connection, selector)

    def _vanished(self, connection: _Connection, selector: selectors.BaseSelector) -> None:
        self._vanishings.happened(f"OSC over TCP: {printable(connection.peer)}")
        self._end(connection, selector)

    def _end(self, connection: _Connection, selector: selectors.BaseSelector) -> None:
        selector.unregister(connection.socket)
        self._connections.remove(connection)
        connection.close()
        self._lost_packets += connection.lost_packets
        self._closed(connection.peer)
