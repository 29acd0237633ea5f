"""The page's server: a thread with an event loop of its own. Frames come by the sink; HTTP and WebSockets go out."""

import asyncio
import contextlib
import logging
import sys
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final

from aiohttp import web

from bridge.sinks.tablet.clients import Clients
from bridge.sinks.tablet.listening import listening
from bridge.sinks.tablet.pairing import PairingLinks
from bridge.sinks.tablet.routes import Commander, Contents, Door, Routes
from bridge.sinks.tablet.sink import TabletSink

STOP_S: Final = 1.0
"""How long saying good-bye may take: the whole daemon shall end in two seconds."""

LOG_WATCH_S: Final = 0.3
"""How often is looked whether the log has grown: sooner than a person looks up."""

CONNECTIONS: Final = 256
"""Most connections at one time, so that strangers cannot use up the files that the log and the audio need."""

_log: Final = logging.getLogger(__name__)


class TabletServer:
    """Serves the page.

    Parameters
    ----------
    door : Door
    contents : Contents
    commander : Commander

    Raises
    ------
    PageError
        When the address is not of this computer or the port is taken.
    """

    def __init__(self, door: Door, contents: Contents, commander: Commander) -> None:
        self._door = door
        self._contents = contents
        self._clients = Clients()
        self._reader = ThreadPoolExecutor(1, thread_name_prefix="page log reader")
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping: asyncio.Event | None = None
        self._ready = threading.Event()
        self.sink = TabletSink()
        self._socket = listening(door.listen, door.port)
        self.port: int = self._socket.getsockname()[1]
        self.links = PairingLinks(door.listen, self.port, door.scheme, door.code)
        self._routes = Routes(door, contents, commander, self._clients, self.links, self._reader)

    @property
    def lost_packets(self) -> int:
        """Answers and trims that pages did not take."""
        return self._clients.lost_events

    @property
    def lost_connections(self) -> int:
        """Connections that ended without a good-bye or were cut off."""
        return self._clients.lost_connections

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()
        self._ready.wait(5.0)

    def stop(self) -> None:
        """Say good-bye to all pages and let go of the port. Never raises; also when never started."""
        self.sink.disconnect()
        if self._loop is not None and self._stopping is not None and self._thread.is_alive():
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._stopping.set)
            self._thread.join(STOP_S)
        self._socket.close()
        self._reader.shutdown(wait=False)

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception:
            _log.exception("the page is served no more")
        finally:
            self.sink.disconnect()
            self._ready.set()

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stopping = asyncio.Event()
        runner = web.AppRunner(
            self._routes.application(),
            logger=_Complaints(self._clients.vanished),
            access_log=None,
            handle_signals=False,
            shutdown_timeout=0.5,
        )
        await runner.setup()
        site = web.SockSite(runner, self._socket, ssl_context=self._door.tls)
        await site.start()
        self.sink.connect(self._loop, self._clients.show, self._routes.trim_was_logged)
        watching = [asyncio.create_task(self._clients.watch()), asyncio.create_task(self._watch_log())]
        watching.append(asyncio.create_task(_bound_connections(runner, self._clients.too_many)))
        self._ready.set()
        try:
            await self._stopping.wait()
        finally:
            for task in watching:
                task.cancel()
            await asyncio.gather(*watching, return_exceptions=True)
            await site.stop()
            await self._clients.close("trimbridge was stopped")
            await runner.cleanup()
            await self._loop.run_in_executor(self._reader, self._contents.history.close)

    async def _watch_log(self) -> None:
        """Tell the pages when the log has grown."""
        loop = asyncio.get_running_loop()
        while True:
            if await loop.run_in_executor(self._reader, self._contents.history.has_changed):
                self._routes.log_has_changed()
            await asyncio.sleep(LOG_WATCH_S)


class _Complaints(logging.LoggerAdapter[logging.Logger]):
    """What the library of the server complains of, without the connections that died while it answered them.

    Those are no faults, and after a computer's sleep there may be one for each screen.

    Parameters
    ----------
    vanished : callable
        Takes note of one.
    """

    def __init__(self, vanished: Callable[[str], None]) -> None:
        super().__init__(_log)
        self._vanished = vanished

    def log(self, level: int, msg: object, *args: object, **more: Any) -> None:
        """Pass a complaint on, or count it."""
        error = more.get("exc_info")
        if isinstance(error if isinstance(error, BaseException) else sys.exception(), ConnectionError):
            self._vanished("a screen that was being answered")
        else:
            super().log(level, msg, *args, **more)


async def _bound_connections(runner: web.AppRunner, cuts_off: Callable[[int], None]) -> None:
    """Cut off the newest connections beyond `CONNECTIONS`, for ever: those that were there first are the studio's."""
    while True:
        await asyncio.sleep(LOG_WATCH_S)
        server = runner.server
        if server is None:
            continue
        for handler in list(server.connections)[CONNECTIONS:]:
            cuts_off(CONNECTIONS)
            handler.force_close()
