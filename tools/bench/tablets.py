"""What calm screens and the metering notice of the others: stalled, many, flooding, guessing, foreign; side by side.

Run it as `.venv/bin/python -m tools.bench.tablets`. A real daemon meters 24 tracks of the simulated recorder; one calm
screen notes when its frames come, another asks for something now and then, while the others do their worst.
"""

import asyncio
import contextlib
import itertools
import socket
import tempfile
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import aiohttp

from bridge.wire.osc import decode, encode_message
from tests.page.rooms import PRACTICE, PracticeDaemon
from tools.bench.timing import report

SECONDS = 10.0
CODE = "482913"
REFUSED = 403
ROOM = PRACTICE.replace('inputs = [ { "1-8" = "1-8" }, { "9-16" = "1-8" } ]', "").replace("tracks = 16", "tracks = 24")
SCREENS = 18
"""With the two calm ones 20, from three hosts: of one host no more than 12 are let in."""

Job = Callable[[aiohttp.ClientSession, str, asyncio.Event], Awaitable[int]]
"""Does its worst until it is stopped; returns how often."""


async def live(session: aiohttp.ClientSession, address: str, name: str) -> aiohttp.ClientWebSocketResponse:
    return await session.ws_connect(f"{address}live?page={name}", headers=_own(address), max_msg_size=1 << 20)


def _own(address: str) -> dict[str, str]:
    return {"Origin": address.rstrip("/")}


async def stalled(_session: aiohttp.ClientSession, address: str, stop: asyncio.Event) -> int:
    """A screen that takes nothing; cut off, it comes again."""
    host, port = address[7:].rstrip("/").split(":")
    number = 0
    while not stop.is_set():
        number += 1
        with socket.socket() as one:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            one.connect((host, int(port)))
            one.sendall(
                f"GET /live HTTP/1.1\r\nHost: {host}:{port}\r\nOrigin: http://{host}:{port}\r\nUpgrade: websocket\r\n"
                "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
                "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n".encode()
            )
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), 2.5)
    return number


async def many(session: aiohttp.ClientSession, address: str, stop: asyncio.Event) -> int:
    """All the screens that are let in, each reading."""

    async def one(room: aiohttp.ClientSession, number: int) -> None:
        screen = await live(room, address, f"many-{number}")
        while not stop.is_set():
            await screen.receive()
        await screen.close()

    second = aiohttp.TCPConnector(local_addr=("127.0.0.3", 0))
    async with aiohttp.ClientSession(connector=second) as more:
        rooms = [session] * (SCREENS // 2) + [more] * (SCREENS - SCREENS // 2)
        await asyncio.gather(*(one(room, number) for number, room in enumerate(rooms)))
    return SCREENS


async def flooding(session: aiohttp.ClientSession, address: str, stop: asyncio.Event) -> int:
    """A screen that sends commands as fast as they go, and comes again when it is thrown out."""
    number = 0
    while not stop.is_set():
        screen = await live(session, address, "flood")
        reading = asyncio.create_task(_read(screen))
        with contextlib.suppress(ConnectionError, TimeoutError):
            while not stop.is_set():
                number += 1
                await asyncio.wait_for(screen.send_bytes(encode_message("/do/repeat", "s", (f"f-{number}",))), 0.5)
                await asyncio.sleep(0)
        reading.cancel()
        await asyncio.gather(reading, return_exceptions=True)
        await screen.close()
    return number


async def _read(screen: aiohttp.ClientWebSocketResponse) -> None:
    async for _ in screen:
        pass


async def guessing(session: aiohttp.ClientSession, address: str, stop: asyncio.Event) -> int:
    """A guest that tries one pairing code after the other."""
    number = 0
    while not stop.is_set():
        number += 1
        async with session.post(f"{address}pair", json={"code": f"{number:06}"}, headers=_own(address)) as answer:
            assert answer.status == REFUSED
            await answer.read()
    return number


async def foreign(session: aiohttp.ClientSession, address: str, stop: asyncio.Event) -> int:
    """A page of another site that the browser of a tablet has open too: it knocks at every door."""
    number = 0
    headers = {"Origin": "http://elsewhere.example"}
    while not stop.is_set():
        number += 1
        with contextlib.suppress(aiohttp.WSServerHandshakeError):
            await session.ws_connect(f"{address}live", headers=headers)
            raise AssertionError("a page of another site was let in")
        async with session.post(f"{address}pair", json={"code": CODE}, headers=headers) as answer:
            assert answer.status == REFUSED
    return number


async def frames(session: aiohttp.ClientSession, address: str, ends_s: float) -> tuple[list[float], float]:
    """Return the times between frames, seconds, and how many samples were lost meanwhile."""
    screen = await live(session, address, "calm")
    came_s: list[float] = []
    lost: list[float] = []
    while time.monotonic() < ends_s:
        said = {message.address: message.arguments for message in decode(await screen.receive_bytes()).messages}
        if "/health/lost_frames" in said:
            came_s.append(time.monotonic())
            lost.append(float(said["/health/lost_frames"][0]))  # type: ignore[arg-type]
    await screen.close()
    return [later - sooner for sooner, later in itertools.pairwise(came_s)], lost[-1] - lost[0]


async def answers(session: aiohttp.ClientSession, address: str, ends_s: float) -> list[float]:
    """Return how long answers to a person's commands took, seconds."""
    screen = await live(session, address, "asking")
    took_s: list[float] = []
    while time.monotonic() < ends_s:
        asked_s = time.monotonic()
        await screen.send_bytes(encode_message("/do/hold", "Fs", (False, f"{asked_s}")))
        while not any(one.address == "/done" for one in decode(await screen.receive_bytes()).messages):
            pass
        took_s.append(time.monotonic() - asked_s)
        rests_s = time.monotonic() + 0.15
        while time.monotonic() < rests_s:
            await screen.receive_bytes()
    await screen.close()
    return took_s


async def scene(address: str, job: Job | None) -> tuple[list[float], list[float], float, int]:
    stop = asyncio.Event()
    # Who does its worst comes from another address of this computer.
    elsewhere = aiohttp.TCPConnector(local_addr=("127.0.0.2", 0))
    async with aiohttp.ClientSession() as session, aiohttp.ClientSession(connector=elsewhere) as other:
        working = asyncio.create_task(job(other, address, stop) if job else stop.wait())  # type: ignore[arg-type]
        ends_s = time.monotonic() + SECONDS
        try:
            (gaps_s, lost), took_s = await asyncio.gather(
                frames(session, address, ends_s), answers(session, address, ends_s)
            )
        finally:
            stop.set()
            tried = await working
        return gaps_s, took_s, lost, int(tried)


def high(values: list[float], share: float) -> float:
    return sorted(values)[int(share * (len(values) - 1))]


def main() -> None:
    # Codes are asked for only where the page is served to a network.
    page = f'listen = "0.0.0.0"\npairing_code = "{CODE}"'
    with tempfile.TemporaryDirectory() as folder, PracticeDaemon(Path(folder), ROOM, page) as one:
        for job, name in (
            (None, "alone"),
            (stalled, "beside a stalled screen"),
            (many, f"beside {SCREENS} screens"),
            (flooding, "beside a flood of commands"),
            (guessing, "beside guessed codes"),
            (foreign, "beside a page of another site"),
        ):
            gaps_s, answers_s, lost, tried = asyncio.run(scene(one.address, job))
            gap_ms, answer_ms = 1000 * high(gaps_s, 0.99), 1000 * high(answers_s, 0.95)
            report(f"{name}: ms between frames, 99th percentile", gap_ms, "< 500", gap_ms < 500)
            report(f"{name}: ms to an answer, 95th percentile", answer_ms, "< 500", answer_ms < 500)
            report(f"{name}: samples lost by the metering", lost, "0", lost == 0)
            if job in (flooding, guessing, foreign):
                report(f"{name}: tried in {SECONDS:g} s", tried)


if __name__ == "__main__":
    main()
