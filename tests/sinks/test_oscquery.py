"""A client of the OSCQuery proposal (third revision), written from the proposal alone, asks a real server."""

import asyncio
import json
import math
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import aiohttp
import pytest
from aiohttp import web
from pythonosc.osc_bundle import OscBundle
from pythonosc.osc_message import OscMessage

from bridge.control.inbox import CommandInbox
from bridge.control.pairing import Pairing
from bridge.control.reception import OscReception
from bridge.procedure.commands import NextStep
from bridge.readings import Frame, Health, Reading, StepReading, Trim
from bridge.sinks import oscquery
from bridge.sinks.oscquery import OscQuery
from bridge.wire.subscribers import Subscribers
from bridge.wire.tree import Host, Tree

DEADLINE_S = 30.0
NOTHING = float("nan")
FRAME = Frame(
    1.0,
    1_795_600_000_000_000_000,
    1000.0,
    StepReading(1, 4, "repro level", 1000.0, 15.0, 0.0, 0.25),
    1,
    False,
    2,
    (
        Reading(1, -0.5, 0.25, NOTHING, NOTHING, "tone", -17.0, -18.0),
        Reading(2, 0.5, 1.25, 1.0, 0.125, "moving", -17, -18),
    ),
    Health(message='a "quoted" fault'),
)
TRIM = Trim(
    "Slate Point two-inch", 2, "repro", "repro level", 1e3, 15.0, 0.0, -1.5, 0.25, 0.125, 0.1, 1, 2, 1, 2, "by hand"
)


class Client:
    """What a program would do that has read nothing but the proposal."""

    def __init__(self, session: aiohttp.ClientSession, url: str) -> None:
        self.session = session
        self.url = url

    async def ask(self, path: str) -> tuple[int, Any]:
        async with self.session.get(self.url + path) as response:
            text = await response.text()
            if response.status == 200:
                assert response.content_type == "application/json"
                return 200, json.loads(text, parse_constant=pytest.fail)
            return response.status, text

    async def node(self, path: str) -> Any:
        status, document = await self.ask(path)
        assert status == 200
        return document

    @asynccontextmanager
    async def open(self, **headers: str) -> AsyncIterator["Line"]:
        async with self.session.ws_connect(self.url + "/", headers=headers) as line:
            yield Line(line)


class Line:
    """A WebSocket: commands as JSON text, OSC as binary."""

    def __init__(self, line: aiohttp.ClientWebSocketResponse) -> None:
        self.line = line

    async def say(self, command: str, data: object) -> None:
        await self.line.send_str(json.dumps({"COMMAND": command, "DATA": data}))

    async def heard(self) -> dict[str, tuple[Any, ...]]:
        message = await asyncio.wait_for(self.line.receive(), DEADLINE_S)
        assert message.type is aiohttp.WSMsgType.BINARY, message
        contents = OscBundle(message.data) if OscBundle.dgram_is_bundle(message.data) else [OscMessage(message.data)]
        return {one.address: tuple(one.params) for one in contents}


class Station:
    """The server's side."""

    def __init__(self) -> None:
        self.inbox = CommandInbox()
        self.subscribers = Subscribers()
        self.reception = OscReception(self.inbox, self.subscribers, Pairing(""), lambda *_: None)
        tree = Tree(range(1, 9), Host("Slate Point", "127.0.0.1", 9710))
        self.queries = OscQuery(tree, self.reception.receive, self.reception.closed)

    def in_a_thread(self, call: Callable[..., None], *arguments: object) -> None:
        """As the metering thread does it."""
        thread = threading.Thread(target=call, args=arguments)
        thread.start()
        thread.join()


def talk(scene: Callable[[Client, Station], Awaitable[None]]) -> None:
    async def run() -> None:
        station = Station()
        application = web.Application()
        station.queries.mount(application)
        runner = web.AppRunner(application, shutdown_timeout=0.5)
        await runner.setup()
        site = web.TCPSite(runner, "127.0.0.1", 0)
        await site.start()
        try:
            async with aiohttp.ClientSession() as session:
                await scene(Client(session, f"http://127.0.0.1:{runner.addresses[0][1]}"), station)
        finally:
            await runner.cleanup()

    asyncio.run(run())


def check(node: dict[str, Any], path: str, leaves: dict[str, dict[str, Any]]) -> None:
    """What the proposal asks of every node, and of the attributes that are served."""
    assert node["FULL_PATH"] == path
    assert set(node) <= {"FULL_PATH", "CONTENTS", "TYPE", "ACCESS", "VALUE", "RANGE", "DESCRIPTION"}
    assert isinstance(node["DESCRIPTION"], str)
    assert node["ACCESS"] in (0, 1, 2, 3)
    if "CONTENTS" in node:
        assert node["CONTENTS"]
        for name, below in node["CONTENTS"].items():
            assert not set(name) & set(" #*,/?[]{}")
            check(below, f"{path.rstrip('/')}/{name}", leaves)
        return
    leaves[path] = node
    tags = node["TYPE"]
    assert set(tags) <= set("ifsTI")
    if "VALUE" in node:
        assert node["ACCESS"] & 1
        assert len(node["VALUE"]) == len(tags)
        for tag, value in zip(tags, node["VALUE"], strict=True):
            kinds = {"i": int, "f": int | float | None, "s": str, "T": bool}[tag]
            assert isinstance(value, kinds)
    if "RANGE" in node:
        assert len(node["RANGE"]) == len(tags)
        for place, span in enumerate(node["RANGE"]):
            assert set(span) <= {"MIN", "MAX", "VALS"}
            assert "MIN" not in span or span["MIN"] < span["MAX"]
            value = node.get("VALUE", [None] * len(tags))[place]
            assert value is None or "MIN" not in span or span["MIN"] <= value <= span["MAX"]
            assert value is None or value in span.get("VALS", [value])


def test_the_whole_tree() -> None:
    async def scene(client: Client, station: Station) -> None:
        leaves: dict[str, dict[str, Any]] = {}
        check(await client.node("/"), "/", leaves)
        assert not any("VALUE" in leaf for leaf in leaves.values())
        station.in_a_thread(station.queries.publish, FRAME, 0.0)
        check(await client.node("/"), "/", leaves)
        assert leaves["/track/1/vu"]["VALUE"] == [-0.5]
        assert leaves["/track/1/fine"]["VALUE"] == [None]
        assert leaves["/track/2/state"]["VALUE"] == ["moving"]
        assert leaves["/track/2/state"]["RANGE"] == [
            {"VALS": ["quiet", "tone", "moving", "settling", "settled", "clipped"]}
        ]
        assert "VALUE" not in leaves["/track/8/vu"]
        assert leaves["/hold/on"]["VALUE"] == [False]
        assert leaves["/follow/on"]["VALUE"] == [True]
        assert leaves["/tone/stands"]["VALUE"] == [True]
        assert leaves["/health/message"]["VALUE"] == ['a "quoted" fault']
        assert leaves["/do/step"]["ACCESS"] == 2
        assert leaves["/do/step"]["RANGE"] == [{"MIN": 1, "MAX": 9999}]
        assert leaves["/do/next"]["TYPE"] == "I"
        assert "inches a second" not in leaves["/step/speed_ips"]["DESCRIPTION"]
        assert "in in/s" in leaves["/step/speed_ips"]["DESCRIPTION"]
        for path, leaf in leaves.items():
            assert await client.node(path) == leaf

    talk(scene)


def test_one_attribute_and_what_is_not_there() -> None:
    async def scene(client: Client, station: Station) -> None:
        assert await client.ask("/track/1/vu?VALUE") == (200, {})
        station.in_a_thread(station.queries.publish, FRAME, 0.0)
        assert await client.ask("/track/1/vu?VALUE") == (200, {"VALUE": [-0.5]})
        assert await client.ask("/track/1/vu/?TYPE=") == (200, {"TYPE": "f"})
        assert await client.ask("/track/1/vu?FULL_PATH") == (200, {"FULL_PATH": "/track/1/vu"})
        assert list((await client.node("/track?CONTENTS"))["CONTENTS"]) == [str(track) for track in range(1, 9)]
        # No value can be read of a command, and none of a container; the proposal wants 204 for it.
        assert await client.ask("/do/next?VALUE") == (204, "")
        assert await client.ask("/track?VALUE") == (204, "")
        assert await client.ask("/track/1/vu?UNIT") == (204, "")
        status, text = await client.ask("/track/1/vu?COLOUR")
        assert (status, "is no attribute" in text) == (400, True)
        assert (await client.ask("/track/9"))[0] == 404
        assert (await client.ask("/track/1/v%75?VALUE"))[0] == 200
        assert (await client.ask("/%00"))[0] == 404

    talk(scene)


def test_host_info() -> None:
    async def scene(client: Client, station: Station) -> None:
        info = await client.node("/?HOST_INFO")
        assert info == await client.node("/track/1?HOST_INFO")
        assert info["NAME"] == "Slate Point"
        assert (info["OSC_IP"], info["OSC_PORT"], info["OSC_TRANSPORT"]) == ("127.0.0.1", 9710, "UDP")
        wanted = {"ACCESS", "VALUE", "RANGE", "DESCRIPTION", "LISTEN"}
        assert {name for name, is_served in info["EXTENSIONS"].items() if is_served} == wanted

    talk(scene)


def test_listen_and_ignore() -> None:
    async def scene(client: Client, station: Station) -> None:
        async with client.open() as line, client.open() as other:
            await line.say("LISTEN", "/track/1/vu")
            await line.say("LISTEN", "/track/1/fine")
            await other.say("LISTEN", "/trim/logged")
            await other.say("LISTEN", "/bank/number")
            station.in_a_thread(station.queries.publish, FRAME, 0.0)
            heard: dict[str, Any] = {}
            while len(heard) < 2:
                heard |= await line.heard()
            assert heard["/track/1/vu"] == (-0.5,)
            assert math.isnan(heard["/track/1/fine"][0])
            # Only what has changed, and NaN is what it was.
            changed = replace(FRAME, readings=(replace(FRAME.readings[0], vu=-0.25), FRAME.readings[1]))
            station.in_a_thread(station.queries.publish, changed, 0.0)
            assert await line.heard() == {"/track/1/vu": (-0.25,)}
            await line.say("IGNORE", "/track/1/vu")
            await line.say("LISTEN", "/focus/track")
            assert await line.heard() == {"/focus/track": (2,)}
            moved = replace(changed, focus_track=1, readings=FRAME.readings)
            station.in_a_thread(station.queries.publish, moved, 0.0)
            assert await line.heard() == {"/focus/track": (1,)}
            assert await other.heard() == {"/bank/number": (1,)}
            for number in range(3):
                station.in_a_thread(station.queries.announce, TRIM, str(number), 0.0)
            for number in range(3):
                assert await other.heard() == {"/trim/logged": (2, "repro level", -1.5, 0.25, 0.125, str(number))}

    talk(scene)


def test_osc_goes_both_ways() -> None:
    async def scene(client: Client, station: Station) -> None:
        async with client.open() as line:
            await line.line.send_bytes(b"/do/next\0\0\0\0,s\0\0r1\0\0")
            while not (requests := station.inbox.take()):
                await asyncio.sleep(0.002)
            assert [request.command for request in requests] == [NextStep()]
            station.in_a_thread(requests[0].answer, None)
            assert await line.heard() == {"/done": ("r1",)}
            await line.line.send_bytes(b"/subscribe\0\0,i\0\0\0\0\0\x3c")
            while not (peers := station.subscribers.active(0.0)):
                await asyncio.sleep(0.002)
            station.in_a_thread(peers[0].link.show, b"/tone/hz\0\0\0\0,f\0\0\x43\xdc\0\0")  # type: ignore[union-attr]
            assert await line.heard() == {"/tone/hz": (440.0,)}
        while station.subscribers.active(0.0):
            await asyncio.sleep(0.002)

    talk(scene)


@pytest.mark.parametrize("text", ["", "[" * 4000, '{"COMMAND":"LISTEN"}', '{"COMMAND":"LISTEN","DATA":["/tone/hz"]}'])
def test_what_is_not_understood_changes_nothing(text: str) -> None:
    async def scene(client: Client, station: Station) -> None:
        async with client.open() as line:
            await line.line.send_str(text)
            await line.say("LISTEN", "/nowhere")
            await line.say("LISTEN", "/do/next")
            await line.say("LISTEN", "/tone/hz")
            station.in_a_thread(station.queries.publish, FRAME, 0.0)
            assert await line.heard() == {"/tone/hz": (1000.0,)}

    talk(scene)


def test_another_site_may_not_open_a_line() -> None:
    async def scene(client: Client, station: Station) -> None:
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            async with client.open(Origin="http://example.org"):
                pass
        assert refused.value.status == 403
        async with client.open(Origin=client.url) as line:
            await line.say("LISTEN", "/tone/hz")
            station.in_a_thread(station.queries.publish, FRAME, 0.0)
            assert await line.heard() == {"/tone/hz": (1000.0,)}

    talk(scene)


def test_a_reader_that_sleeps_is_cut_off_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(oscquery, "STUCK_S", 0.2)

    async def scene(client: Client, station: Station) -> None:
        async with client.open() as line:
            host, _, port = client.url.removeprefix("http://").rpartition(":")
            _, asleep = await asyncio.open_connection(host, int(port), limit=1)
            asleep.transport.pause_reading()
            asleep.write(
                b"GET / HTTP/1.1\r\nHost: " + host.encode() + b"\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
                # RFC 6455, 1.2 and 5.2: its own example of a key; a masked binary message of 20 bytes, the mask zero.
                b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
                b"\x82\x94\0\0\0\0/subscribe\0\0,i\0\0\0\0\0\x3c"
            )
            while not (peers := station.subscribers.active(0.0)):
                await asyncio.sleep(0.002)
            while station.subscribers.active(0.0):
                peers[0].link.show(bytes(1 << 20))  # type: ignore[union-attr]
                await asyncio.sleep(0.002)
            asleep.close()
            await line.say("LISTEN", "/tone/hz")
            station.in_a_thread(station.queries.publish, FRAME, 0.0)
            assert await line.heard() == {"/tone/hz": (1000.0,)}
            assert station.queries.lost_connections == 1

    talk(scene)
