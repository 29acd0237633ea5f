"""What the page's server answers: HTTP requests and WebSockets in; files, JSON documents, live packets out.

Everything that is not live is a JSON document: ``/setup.json`` once, ``/log.json`` whenever the log has changed. What
is live comes over the WebSocket ``/live``, as the same OSC packets that go out over UDP; commands come back the same
way.
"""

import asyncio
import contextlib
import json
import secrets
import ssl
import time
from collections.abc import Awaitable, Callable, Collection, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from typing import Final, Protocol

from aiohttp import WSCloseCode, WSMsgType, web

from bridge.log.faults import LogError
from bridge.sinks.oscquery import OscQuery
from bridge.sinks.tablet import access
from bridge.sinks.tablet.clients import Client, Clients
from bridge.sinks.tablet.files import PageFile, page_files
from bridge.sinks.tablet.history import History
from bridge.sinks.tablet.pairing import PairingLinks
from bridge.wire.addresses import PAGE_CHANGED
from bridge.wire.udp import RECEIVE_BYTES, is_loopback

HEARTBEAT_S: Final = 5.0
"""A page that answers no ping for half of this is gone, and its place is free."""

FLOOD_PAUSE_S: Final = 0.1
"""What a page sends beyond its rate waits; so a flood fills its own buffers and costs ten packets a second."""

REQUEST_BYTES: Final = 4096

REMEMBERED: Final = 64
"""Documents that are kept until the log changes."""

LONGEST: Final = 64
"""Most characters of a pairing code."""

COOKIE_S: Final = 30 * 86_400
"""How long a browser keeps its token; counted anew at each visit, as the daemon does."""

JsonObject = dict[str, object]


class Commander(Protocol):
    """What takes commands and says who may command. Called in the page's thread only."""

    def pair(self, host: str, what: str, code: str, now_s: float) -> tuple[str, str]:
        """Return a token for the right code, or "" and why not; ``what`` is what its browser calls itself."""
        ...

    def see(self, token: str) -> bool:
        """Note that a visitor came; whether its token lives on."""
        ...

    def screens(self) -> Sequence[JsonObject]:
        """Return the paired screens, for a person."""
        ...

    def forget(self, screen_id: str) -> bool:
        """Let a screen command no more, or any when the id is empty; whether there was one."""
        ...

    def refusal(self, host: str, token: str, *, watches_only: bool) -> str | None:
        """Return why a visitor may not command, or None."""
        ...

    def visit(
        self, host: str, page_id: str, token: str, *, watches_only: bool, send: Callable[[bytes], object]
    ) -> Callable[[bytes, float], bool]:
        """Return what takes the packets of a new visitor with the monotonic time, and says whether it took them."""
        ...


@dataclass(frozen=True, slots=True)
class Contents:
    """What is served beside the live data.

    ``setup`` is the document of what does not change, ``layouts`` are those of the pages by name, ``history`` reads
    the log, ``queries`` answers programs that ask for the OSC addresses.
    """

    setup: JsonObject
    layouts: Mapping[str, JsonObject]
    history: History
    queries: OscQuery | None = None


@dataclass(frozen=True, slots=True)
class Door:
    """Where the page is served and to whom.

    ``names`` may stand in the Host header beside numeric addresses; ``links`` are those for pairing.
    """

    listen: str
    port: int
    names: Collection[str] = ()
    tls: ssl.SSLContext | None = None
    code: str = ""
    scheme: str = field(init=False, default="http")

    def __post_init__(self) -> None:
        if self.tls is not None:
            object.__setattr__(self, "scheme", "https")


class Routes:
    """Answers requests; for the page's event loop.

    Parameters
    ----------
    door : Door
    contents : Contents
    commander : Commander
    clients : Clients
        The open pages; a new one joins them.
    links : PairingLinks
    reader : Executor
        Reads the log.
    """

    def __init__(
        self,
        door: Door,
        contents: Contents,
        commander: Commander,
        clients: Clients,
        links: PairingLinks,
        reader: Executor,
    ) -> None:
        self._door = door
        self._contents = contents
        self._commander = commander
        self._clients = clients
        self._pairing_links = links
        self._reader = reader
        self._files = page_files()
        self._revision = 1
        self._run = secrets.token_hex(8)
        """By what a page knows this run of the daemon from another one."""
        self._documents: dict[str, tuple[int, bytes]] = {}

    def log_has_changed(self) -> None:
        """Tell the pages that the log has grown."""
        self._revision += 1
        self._clients.tell(PAGE_CHANGED.encode(self._revision))

    def trim_was_logged(self, packet: bytes) -> None:
        """Tell the pages of a trim that is in the log; what they read of the log from now on holds it."""
        self.log_has_changed()
        self._clients.tell(packet)

    def application(self) -> web.Application:
        """Return all of it for the server to run."""
        application = web.Application(middlewares=[self._guard], client_max_size=REQUEST_BYTES)
        application.router.add_get("/live", self._live)
        application.router.add_get("/alive", self._alive)
        application.router.add_get("/setup.json", self._setup)
        application.router.add_get("/log.json", self._log_document)
        application.router.add_get("/trails/{step:[0-9]{1,4}}.json", self._trails)
        application.router.add_get("/links.json", self._links)
        application.router.add_get("/links/{number:[0-9]{1,2}}.svg", self._link_image)
        application.router.add_post("/pair", self._pair)
        application.router.add_post("/forget", self._forget)
        application.router.add_get("/page/{name:[a-z/.-]{1,60}}", self._file)
        for page in ("", *self._contents.layouts):
            application.router.add_get(f"/{page}", self._index)
        if self._contents.queries is not None:
            self._contents.queries.mount(application)
        return application

    @web.middleware
    async def _guard(
        self, request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
    ) -> web.StreamResponse:
        """Refuse what is for another host or comes from another site, and put the headers on."""
        refused = access.host_refusal(request.host, _local_address(request), self._door.names)
        if not refused and (request.method != "GET" or request.path == "/live"):
            refused = access.origin_refusal(request.headers.get("Origin"), request.host, self._door.scheme)
        if refused:
            raise web.HTTPForbidden(text=refused, headers=access.HEADERS)
        response = await handler(request)
        if not response.prepared:
            response.headers.update(access.HEADERS)
        return response

    async def _index(self, request: web.Request) -> web.StreamResponse:
        queries = self._contents.queries
        if queries is not None and request.path == "/" and queries.is_asked(request):
            return await queries.answer(request)
        return _sent(request, self._files["index.html"])

    async def _file(self, request: web.Request) -> web.Response:
        found = self._files.get(request.match_info["name"])
        if found is None:
            raise web.HTTPNotFound(text="there is no such file", headers=access.HEADERS)
        return _sent(request, found)

    async def _alive(self, _request: web.Request) -> web.Response:
        return web.Response(status=204)

    async def _setup(self, request: web.Request) -> web.Response:
        host, token = _host(request), request.cookies.get(access.COOKIE, "")
        refused = self._commander.refusal(host, token, watches_only="watch" in request.query)
        is_local = is_loopback(host)
        response = web.json_response(
            {
                **self._contents.setup,
                "run": self._run,
                "layouts": self._contents.layouts,
                "visitor": {
                    "may_command": refused is None,
                    "why_not": refused or "",
                    "is_local": is_local,
                    "can_pair": bool(self._door.code) and not is_local,
                    "is_encrypted": self._door.tls is not None,
                },
            }
        )
        if self._commander.see(token):
            self._hand_token(response, token)
        return response

    async def _log_document(self, _request: web.Request) -> web.Response:
        return await self._from_log("log", self._contents.history.document)

    async def _trails(self, request: web.Request) -> web.Response:
        step = int(request.match_info["step"])
        return await self._from_log(f"trails {step}", lambda: self._contents.history.trails(step))

    async def _from_log(self, name: str, read: Callable[[], JsonObject]) -> web.Response:
        """Answer with a document from the log, read once for all pages until the log changes."""
        revision, body = self._documents.get(name, (0, b""))
        if revision != self._revision:
            revision = self._revision
            loop = asyncio.get_running_loop()
            try:
                body = await loop.run_in_executor(self._reader, lambda: _json({"revision": revision, **read()}))
            except LogError as error:
                return web.json_response({"reason": str(error)}, status=503)
            if len(self._documents) > REMEMBERED:
                self._documents.clear()
            self._documents[name] = revision, body
        return web.Response(body=body, content_type="application/json")

    async def _links(self, request: web.Request) -> web.Response:
        """Tell how to pair, to who sits at this computer alone."""
        _only_local(request)
        return web.json_response({**self._pairing_links.document(), "screens": self._commander.screens()})

    async def _link_image(self, request: web.Request) -> web.Response:
        _only_local(request)
        image = self._pairing_links.image(int(request.match_info["number"]))
        if image is None:
            raise web.HTTPNotFound(text="there is no such link")
        return web.Response(body=image, content_type="image/svg+xml")

    async def _pair(self, request: web.Request) -> web.Response:
        code = await _asked(request, "code")
        if not code:
            return web.json_response({"reason": "send the code as JSON"}, status=400)
        what = request.headers.get("User-Agent", "")[:200]
        token, refused = self._commander.pair(_host(request), what, code, time.monotonic())
        if not token:
            return web.json_response({"reason": refused}, status=403)
        response = web.json_response({})
        self._hand_token(response, token)
        return response

    def _hand_token(self, response: web.Response, token: str) -> None:
        secure = self._door.tls is not None
        response.set_cookie(access.COOKIE, token, httponly=True, samesite="Strict", secure=secure, max_age=COOKIE_S)

    async def _forget(self, request: web.Request) -> web.Response:
        """Let a screen command no more, when who sits at this computer asks for it; all of them for an empty id."""
        _only_local(request)
        screen = await _asked(request, "id")
        if screen is None:
            return web.json_response({"reason": "send the id as JSON"}, status=400)
        if not self._commander.forget(screen):
            return web.json_response({"reason": "no such screen is paired"}, status=404)
        # They come back at once, and are told that they only watch.
        await self._clients.close("the paired screens were changed")
        return web.json_response({})

    async def _live(self, request: web.Request) -> web.StreamResponse:
        host, transport = _host(request), request.transport
        obstacle = self._clients.obstacle(host)
        if obstacle or transport is None:
            raise web.HTTPServiceUnavailable(text=obstacle)
        open_socket = web.WebSocketResponse(
            compress=False, heartbeat=HEARTBEAT_S, max_msg_size=RECEIVE_BYTES, timeout=0.5, writer_limit=1
        )
        await open_socket.prepare(request)
        assert isinstance(transport, asyncio.Transport)
        client = Client(open_socket, transport, host, self._clients.lose)
        loop = asyncio.get_running_loop()

        def send(packet: bytes) -> None:
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(client.tell, packet)

        take = self._commander.visit(
            host,
            request.query.get("page", "")[:64],
            request.cookies.get(access.COOKIE, ""),
            watches_only="watch" in request.query,
            send=send,
        )
        client.tell(PAGE_CHANGED.encode(self._revision))
        self._clients.add(client)
        sending = asyncio.create_task(client.send())
        try:
            async for message in open_socket:
                if message.type is not WSMsgType.BINARY or not take(message.data, time.monotonic()):
                    await asyncio.sleep(FLOOD_PAUSE_S)
        finally:
            self._clients.remove(client)
            sending.cancel()
            with contextlib.suppress(asyncio.CancelledError, ConnectionError):
                await sending
        if open_socket.close_code == WSCloseCode.ABNORMAL_CLOSURE and not client.was_cut_off:
            self._clients.vanished(f"a screen at {host}")
        return open_socket


def _sent(request: web.Request, file: PageFile) -> web.Response:
    headers = {"ETag": file.tag, "Content-Type": file.content_type}
    if request.headers.get("If-None-Match") == file.tag:
        return web.Response(status=304, headers=headers)
    return web.Response(body=file.body, headers=headers)


def _host(request: web.Request) -> str:
    """Return the numeric address a request comes from, never what a header says of it."""
    peer = request.transport.get_extra_info("peername") if request.transport is not None else None
    return str(peer[0]) if peer else "0.0.0.0"


def _local_address(request: web.Request) -> str:
    own = request.transport.get_extra_info("sockname") if request.transport is not None else None
    return str(own[0]) if own else "0.0.0.0"


def _only_local(request: web.Request) -> None:
    if not is_loopback(_host(request)):
        raise web.HTTPForbidden(text="only at the computer itself", headers=access.HEADERS)


async def _asked(request: web.Request, name: str) -> str | None:
    """Return a text that was sent as JSON; None when it was not."""
    if request.content_type != "application/json":
        raise web.HTTPUnsupportedMediaType(text="send JSON", headers=access.HEADERS)
    try:
        found = (await request.json())[name]
    except (ValueError, TypeError, KeyError):
        return None
    return found if isinstance(found, str) and len(found) <= LONGEST else None


def _json(document: JsonObject) -> bytes:
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
