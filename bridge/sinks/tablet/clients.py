"""The open pages: packets in, WebSocket messages out, and none of them can hold up another.

Everything here runs in the page's own event loop. Each page has a slot for the newest frame, a short queue for what
must not be missed, and one task that sends. A page that takes nothing for `STUCK_S` is cut off; it comes back by
itself.
"""

import asyncio
import contextlib
import logging
import socket
import time
from collections import deque
from collections.abc import Callable
from typing import Final

from aiohttp import web

from bridge.wire.episodes import Episode, Vanishings

CLIENTS: Final = 48
"""Most pages at one time: a studio has a few screens, and each costs some 120 kB a second."""

CLIENTS_A_HOST: Final = 12
"""A person with too many tabs; a room behind one address."""

STUCK_S: Final = 1.0
WATCH_S: Final = 0.25

EVENTS: Final = 64
"""Answers and trims that wait for a page. More means that it does not listen."""

SEND_BUFFER_BYTES: Final = 1 << 16
"""Asked of the system for each page: half a second of frames of 24 tracks. With the system's own megabytes a page
that was asleep would be shown the past."""

_log = logging.getLogger(__name__)


class Client:
    """One open page.

    Parameters
    ----------
    socket_ : WebSocketResponse
        Prepared.
    transport : asyncio.Transport
        What carries it.
    host : str
        Numeric address it comes from.
    lose : callable
        Called with the host for each packet that it does not take and must not have missed.
    """

    def __init__(
        self, socket_: web.WebSocketResponse, transport: asyncio.Transport, host: str, lose: Callable[[str], None]
    ) -> None:
        self.host = host
        self._lose = lose
        self._socket = socket_
        self._transport = transport
        self._events: deque[bytes] = deque()
        self._frame: bytes | None = None
        self._wake = asyncio.Event()
        self._sending_since_s: float | None = None
        self.was_cut_off = False
        transport.set_write_buffer_limits(high=1 << 14)
        carried = transport.get_extra_info("socket")
        if carried is not None:
            with contextlib.suppress(OSError):
                carried.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
                carried.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def show(self, frame: bytes) -> None:
        """Put a frame into the slot; one that waits there is replaced."""
        self._frame = frame
        self._wake.set()

    def tell(self, packet: bytes) -> None:
        """Queue a packet that must not be missed."""
        if len(self._events) >= EVENTS:
            self._lose(self.host)
            self.cut_off()
            return
        self._events.append(packet)
        self._wake.set()

    def is_stuck(self, now_s: float) -> bool:
        """Whether it has taken nothing for too long."""
        return self._sending_since_s is not None and now_s - self._sending_since_s > STUCK_S

    def cut_off(self) -> None:
        """End the connection without asking the other side."""
        self.was_cut_off = True
        self._transport.abort()

    async def send(self) -> None:
        """Send what comes, until the connection ends."""
        loop = asyncio.get_running_loop()
        while not self._socket.closed:
            await self._wake.wait()
            self._wake.clear()
            while (packet := self._next()) is not None:
                self._sending_since_s = loop.time()
                await self._socket.send_bytes(packet)
                self._sending_since_s = None

    def _next(self) -> bytes | None:
        if self._events:
            return self._events.popleft()
        frame, self._frame = self._frame, None
        return frame

    async def close(self, code: int, reason: str) -> None:
        """Say good-bye, if the other side still listens."""
        if self._sending_since_s is not None:
            self.cut_off()
            return
        with contextlib.suppress(ConnectionError, RuntimeError):
            await self._socket.close(code=code, message=reason.encode(), drain=False)


class Clients:
    """All open pages."""

    def __init__(self) -> None:
        self._clients: set[Client] = set()
        self._last_frame: bytes | None = None
        self._cut_offs = 0
        self._cutting_off = Episode()
        self._losing = Episode()
        self._vanishings = Vanishings(_log, "; it comes back by itself")
        self.lost_events = 0
        """Answers and trims that pages did not take. A plain number: other threads read it."""

    def __len__(self) -> int:
        return len(self._clients)

    @property
    def lost_connections(self) -> int:
        """Connections that ended without a good-bye or were cut off. A plain number: other threads read it."""
        return self._vanishings.count + self._cut_offs

    def lose(self, host: str) -> None:
        """Count what a page did not take."""
        self.lost_events += 1
        if self._losing.happened(time.monotonic()):
            _log.warning(
                "a screen at %s left %d answers waiting and was cut off; it comes back by itself", host, EVENTS
            )

    def vanished(self, who: str) -> None:
        """Count a connection that ended without a good-bye: a screen out of reach, switched off, or long asleep."""
        self._vanishings.happened(who)

    def too_many(self, most: int) -> None:
        """Count a connection that was cut off because there are too many."""
        self._cut_offs += 1
        if self._cutting_off.happened(time.monotonic()):
            _log.warning("more than %d connections to the page at one time: the newest are cut off", most)

    def obstacle(self, host: str) -> str:
        """Return why no page more can be served; empty when one can."""
        if len(self._clients) >= CLIENTS:
            return f"{CLIENTS} screens are open already: close one"
        if sum(client.host == host for client in self._clients) >= CLIENTS_A_HOST:
            return f"{CLIENTS_A_HOST} screens are open at {host} already: close one"
        return ""

    def add(self, client: Client) -> None:
        """Take a page up; it is shown the last frame at once."""
        self._clients.add(client)
        if self._last_frame is not None:
            client.show(self._last_frame)

    def remove(self, client: Client) -> None:
        """Forget a page."""
        self._clients.discard(client)
        self._cut_offs += client.was_cut_off

    def show(self, frame: bytes) -> None:
        """Show a frame to all."""
        self._last_frame = frame
        for client in self._clients:
            client.show(frame)

    def tell(self, packet: bytes) -> None:
        """Tell all something that must not be missed."""
        for client in tuple(self._clients):
            client.tell(packet)

    async def watch(self) -> None:
        """Cut off those that are stuck, for ever."""
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(WATCH_S)
            for client in [client for client in self._clients if client.is_stuck(loop.time())]:
                _log.warning("a screen at %s took nothing for %g s and was cut off", client.host, STUCK_S)
                client.cut_off()

    async def close(self, reason: str) -> None:
        """Say good-bye to all."""
        await asyncio.gather(*(client.close(1001, reason) for client in tuple(self._clients)))
