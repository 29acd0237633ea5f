"""The address space over HTTP and values over WebSockets, as the open OSCQuery proposal has it: frames in, answers out.

It is mounted in the page's server and lives in its event loop; frames come from the metering thread, which never waits.
A WebSocket that asks to LISTEN to addresses is sent those whose values have changed, the newest ones, and may send OSC
packets as over any other connection.
"""

import asyncio
import contextlib
import json
import logging
import time
from collections import deque
from collections.abc import Callable
from typing import Final

from aiohttp import WSCloseCode, WSMessage, WSMsgType, web

from bridge.readings import Frame, Trim
from bridge.wire import osc
from bridge.wire.addresses import TRIM_LOGGED
from bridge.wire.episodes import Vanishings
from bridge.wire.tree import ATTRIBUTES, HOST_INFO, Tree, values_of
from bridge.wire.turns import pause_s
from bridge.wire.udp import Sender, StreamPeer

LISTENERS: Final = 16
"""Most WebSockets at one time."""

ADDRESSES: Final = 1024
"""Most addresses that one listens to: all of 64 tracks are some 350."""

STUCK_S: Final = 1.0
"""A WebSocket that takes nothing for so long is cut off."""

PACKETS: Final = 64
"""Answers and trims that wait for a WebSocket."""

MESSAGE_BYTES: Final = 4096
FLOOD_PAUSE_S: Final = 0.1
"""After a message that is not understood."""

_log = logging.getLogger(__name__)


class _Listener:
    """One WebSocket; the `Link` of its peer. What comes from other threads goes into the loop."""

    def __init__(self, open_socket: web.WebSocketResponse, transport: asyncio.Transport) -> None:
        self.socket = open_socket
        self.loop = asyncio.get_running_loop()
        self.heard: dict[str, bytes] = {}
        self.lost_packets = 0
        self._transport = transport
        self._packets: deque[bytes] = deque()
        self._frame: bytes | None = None
        self.wake = asyncio.Event()

    def send(self, packet: bytes) -> bool:
        """Queue what must not be missed; from any thread."""
        return self._soon(self.tell, packet)

    def show(self, packet: bytes) -> bool:
        """Put a frame into the slot; from any thread."""
        return self._soon(self._show, packet)

    def _soon(self, call: Callable[[bytes], None], packet: bytes) -> bool:
        try:
            self.loop.call_soon_threadsafe(call, packet)
        except RuntimeError:
            return False
        return True

    def tell(self, packet: bytes) -> None:
        """Queue what must not be missed; from the loop."""
        if len(self._packets) >= PACKETS:
            self.lost_packets += 1
            return
        self._packets.append(packet)
        self.wake.set()

    def _show(self, packet: bytes) -> None:
        self._frame = packet
        self.wake.set()

    async def run(self, changes: Callable[["_Listener"], bytes | None]) -> None:
        """Send what comes, and what has changed, until the connection ends."""
        while not self.socket.closed:
            await self.wake.wait()
            self.wake.clear()
            while self._packets:
                await self._send(self._packets.popleft())
            frame, self._frame = self._frame, None
            for packet in (frame, changes(self)):
                if packet is not None:
                    await self._send(packet)

    async def _send(self, packet: bytes) -> None:
        # Cancelling a send would leave half a message on the wire: an end from outside leaves nothing.
        cutting_off = self.loop.call_later(STUCK_S, self._transport.abort)
        try:
            await self.socket.send_bytes(packet)
        finally:
            cutting_off.cancel()


class OscQuery:
    """Answers questions about the address space, and shows values to who listens.

    Parameters
    ----------
    tree : Tree
    receive : callable
        Takes a packet, its sender and the monotonic time.
    closed : callable
        Takes each peer whose WebSocket has ended.
    """

    def __init__(
        self, tree: Tree, receive: Callable[[bytes, Sender, float], None], closed: Callable[[StreamPeer], None]
    ) -> None:
        self._tree = tree
        self._receive = receive
        self._closed = closed
        self._listeners: set[_Listener] = set()
        self._frame: Frame | None = None
        self._is_woken = False
        self._trim: tuple[osc.Argument, ...] | None = None
        self._read: tuple[Frame | None, dict[str, tuple[osc.Argument, ...]]] = (None, {})
        self._loop: asyncio.AbstractEventLoop | None = None
        self._lost_packets = 0
        self._vanishings = Vanishings(_log)

    @property
    def lost_connections(self) -> int:
        """WebSockets that ended without a good-bye, or were cut off because they took nothing."""
        return self._vanishings.count

    @property
    def lost_packets(self) -> int:
        """Answers and trims that WebSockets did not take."""
        return self._lost_packets + sum(listener.lost_packets for listener in tuple(self._listeners))

    def mount(self, application: web.Application) -> None:
        """Answer at all paths of an application that have no route yet. Call it after the last of them."""
        application.router.add_get("/{path:.*}", self.answer)
        application.on_shutdown.append(self._good_bye)

    @staticmethod
    def is_asked(request: web.Request) -> bool:
        """Whether a request for / wants the address space and not a page for people."""
        names = (*ATTRIBUTES, HOST_INFO)
        is_question = request.query_string.partition("=")[0] in names
        return is_question or _is_upgrade(request) or "text/html" not in request.headers.get("Accept", "")

    def publish(self, frame: Frame, now_s: float) -> None:
        """Take a frame; from any thread."""
        del now_s
        self._frame = frame
        if not self._is_woken:
            self._is_woken = self._soon(self._wake_listeners)

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:
        """Take note that a trim is in the log; from any thread."""
        del now_s
        values = (trim.track, trim.adjustment, trim.as_found_db, trim.as_left_db, trim.spread_db, trim_id)
        self._trim = values
        self._soon(self._tell_trim, TRIM_LOGGED.encode(*values))

    def _soon(self, call: Callable[..., None], *arguments: object) -> bool:
        # Without listeners there is nobody to tell, and the next one looks for itself.
        if not self._listeners or self._loop is None:
            return False
        try:
            self._loop.call_soon_threadsafe(call, *arguments)
        except RuntimeError:
            return False
        return True

    def _wake_listeners(self) -> None:
        self._is_woken = False
        for listener in self._listeners:
            listener.wake.set()

    def _tell_trim(self, packet: bytes) -> None:
        for listener in self._listeners:
            if TRIM_LOGGED.path in listener.heard:
                listener.tell(packet)

    def _values(self) -> dict[str, tuple[osc.Argument, ...]]:
        frame, values = self._read
        if self._frame is not frame:
            frame = self._frame
            values = {} if frame is None else values_of(frame)
            self._read = frame, values
        return values if self._trim is None else {**values, TRIM_LOGGED.path: self._trim}

    async def answer(self, request: web.Request) -> web.StreamResponse:
        """Answer a question, or take up a WebSocket."""
        if _is_upgrade(request):
            return await self._listen(request)
        query = request.query_string.partition("=")[0]
        reply = self._tree.answer(request.path, query, self._values())
        if reply.document is not None:
            body = json.dumps(reply.document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
            return web.Response(text=body, content_type="application/json")
        return web.Response(status=reply.status, text=reply.reason or None)

    async def _listen(self, request: web.Request) -> web.StreamResponse:
        origin = request.headers.get("Origin")
        if origin is not None and origin.lower() != f"{request.scheme}://{request.host}".lower():
            raise web.HTTPForbidden(text="another site may not do this")
        transport = request.transport
        if len(self._listeners) >= LISTENERS or not isinstance(transport, asyncio.Transport):
            raise web.HTTPServiceUnavailable(text=f"{LISTENERS} listen already")
        open_socket = web.WebSocketResponse(
            compress=False, heartbeat=5.0, max_msg_size=MESSAGE_BYTES, timeout=0.5, writer_limit=1
        )
        await open_socket.prepare(request)
        host, port = transport.get_extra_info("peername")[:2]
        listener = _Listener(open_socket, transport)
        peer = StreamPeer(host, port, listener)
        self._loop = listener.loop
        self._listeners.add(listener)
        sending = asyncio.create_task(listener.run(self._changes))
        try:
            async for message in open_socket:
                await self._take(message, listener, peer)
        finally:
            self._listeners.discard(listener)
            self._lost_packets += listener.lost_packets
            self._closed(peer)
            sending.cancel()
            with contextlib.suppress(asyncio.CancelledError, ConnectionError):
                await sending
        if open_socket.close_code == WSCloseCode.ABNORMAL_CLOSURE:
            self._vanishings.happened(f"a listener of OSCQuery at {host}")
        return open_socket

    async def _take(self, message: WSMessage, listener: _Listener, peer: StreamPeer) -> None:
        began_s = time.thread_time()
        understood = True
        if message.type is WSMsgType.BINARY:
            self._receive(message.data, peer, time.monotonic())
        else:
            understood = self._command(message.data, listener)
        # As for datagrams: whoever sends without end has a bounded share of the processor, however many they are.
        worked_s = (time.thread_time() - began_s) * len(self._listeners)
        await asyncio.sleep(pause_s(worked_s) if understood else FLOOD_PAUSE_S)

    def _command(self, text: str, listener: _Listener) -> bool:
        """Do what a text message says: ``{"COMMAND": "LISTEN" or "IGNORE", "DATA": address}``."""
        try:
            asked = json.loads(text)
            command, path = asked["COMMAND"], asked["DATA"]
        except (ValueError, TypeError, KeyError, RecursionError):
            return False
        if not isinstance(path, str) or path not in self._tree.rows:
            return False
        if command == "IGNORE":
            listener.heard.pop(path, None)
        elif command == "LISTEN" and len(listener.heard) < ADDRESSES:
            listener.heard[path] = b""
            listener.wake.set()
        else:
            return False
        return True

    def _changes(self, listener: _Listener) -> bytes | None:
        """Return the values that a listener has not yet heard, as a message or as one bundle."""
        values = self._values()
        packets = []
        for path, heard in listener.heard.items():
            said = values.get(path)
            # Each trim is told of for itself: the newest alone would not do.
            if said is None or path == TRIM_LOGGED.path:
                continue
            with contextlib.suppress(osc.OscError):
                # Two NaN are not equal, but are written alike.
                if (packet := self._tree.rows[path].encode(*said)) != heard:
                    packets.append(packet)
                    listener.heard[path] = packet
        if not packets:
            return None
        return packets[0] if len(packets) == 1 else osc.encode_bundle(osc.IMMEDIATELY, packets)

    async def _good_bye(self, _application: web.Application) -> None:
        for listener in tuple(self._listeners):
            with contextlib.suppress(ConnectionError, RuntimeError):
                await listener.socket.close(code=1001, message=b"trimbridge was stopped", drain=False)


def _is_upgrade(request: web.Request) -> bool:
    return request.headers.get("Upgrade", "").lower() == "websocket"
