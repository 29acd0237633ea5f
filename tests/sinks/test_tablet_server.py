"""The page's server as any client of it sees it: addresses, refusals, floods, stalls; on real sockets."""

import asyncio
import contextlib
import json
import socket
import ssl
import struct
import subprocess
import threading
import time
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path

import aiohttp
import pytest

from bridge.control.page import COMMANDS_AT_ONCE, new_code
from bridge.sinks.tablet import clients, server
from bridge.sinks.tablet.faults import PageError
from bridge.wire.osc import decode, encode_message
from tests.page.rooms import Feeder, frame, reading
from tests.wire.waiting import wait_until

READINGS = [reading(track, 0.1) for track in range(1, 25)]
DEADLINE_S = 30.0

Ask = Callable[[aiohttp.ClientSession], Awaitable[object]]


@pytest.fixture
def feeder(tmp_path: Path) -> Iterator[Feeder]:
    one = Feeder(tmp_path)
    one.show(READINGS, focus=1)
    yield one
    one.close()


def ask(job: Ask) -> None:
    """Run a job with a client of its own."""

    async def run() -> None:
        async with aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as session:
            await asyncio.wait_for(job(session), DEADLINE_S)
        # A transport that was closed lets go of its socket in the next turn of the loop.
        await asyncio.sleep(0)

    asyncio.run(run())


def origin(feeder: Feeder) -> str:
    return feeder.address.rstrip("/")


async def until(condition: Callable[[], bool], what: str) -> None:
    deadline_s = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline_s, what
        await asyncio.sleep(0.02)


async def live(session: aiohttp.ClientSession, feeder: Feeder, query: str = "") -> aiohttp.ClientWebSocketResponse:
    return await session.ws_connect(
        f"{feeder.address}live?{query}",
        headers={"Origin": origin(feeder)},
        max_msg_size=1 << 20,
        timeout=aiohttp.ClientWSTimeout(ws_close=0.5),
    )


async def answer(socket_: aiohttp.ClientWebSocketResponse, request_id: str) -> tuple[object, ...]:
    """The answer to a request, among the frames."""
    while True:
        packet = decode(await socket_.receive_bytes())
        for message in packet.messages:
            if message.address in ("/done", "/refused") and message.arguments[0] == request_id:
                return (message.address, *message.arguments[1:])


def test_frames_come_as_osc_bundles(feeder: Feeder) -> None:
    async def job(session: aiohttp.ClientSession) -> None:
        one = await live(session, feeder)
        while len((packet := decode(await one.receive_bytes())).messages) < 100:
            pass
        said = {message.address: message.arguments for message in packet.messages}
        assert said["/track/24/fine"] == (pytest.approx(0.1),)
        assert said["/bank/number"] == (1,)
        await one.close()

    ask(job)


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "192.0.2.1", "", "localhost.evil.example"])
def test_other_hosts_are_refused(feeder: Feeder, host: str) -> None:
    # A name of a stranger's that leads to this computer ("DNS rebinding") must get nothing.
    async def job(session: aiohttp.ClientSession) -> None:
        for path in ("", "setup.json", "log.json", "page/main.js"):
            async with session.get(f"{feeder.address}{path}", headers={"Host": host}) as found:
                assert found.status == 403, path
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await session.ws_connect(f"{feeder.address}live", headers={"Host": host, "Origin": f"http://{host}"})
        assert refused.value.status == 403

    ask(job)


def test_own_names_and_numbers_are_taken(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path, 'names = ["studio-computer.local"]')

    async def job(session: aiohttp.ClientSession) -> None:
        for host in (f"localhost:{feeder.port}", f"127.0.0.1:{feeder.port}", "studio-computer.local", "[::1]"):
            async with session.get(f"{feeder.address}setup.json", headers={"Host": host}) as found:
                assert found.status == 200, host

    try:
        ask(job)
    finally:
        feeder.close()


@pytest.mark.parametrize("foreign", ["http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1", None])
def test_other_origins_are_refused(feeder: Feeder, foreign: str | None) -> None:
    headers = {} if foreign is None else {"Origin": foreign}

    async def job(session: aiohttp.ClientSession) -> None:
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await session.ws_connect(f"{feeder.address}live", headers=headers)
        assert refused.value.status == 403
        async with session.post(f"{feeder.address}pair", json={"code": "1"}, headers=headers) as found:
            assert found.status == 403

    ask(job)


def test_headers_keep_strangers_out_and_nothing_in_caches(feeder: Feeder) -> None:
    async def job(session: aiohttp.ClientSession) -> None:
        for path in ("machine", "page/main.js", "page/style.css", "setup.json", "log.json"):
            async with session.get(f"{feeder.address}{path}") as found:
                assert found.status == 200, path
                assert found.headers["Cache-Control"] == "no-cache"
                assert "default-src 'none'" in found.headers["Content-Security-Policy"]
                assert found.headers["X-Content-Type-Options"] == "nosniff"
                tag = found.headers.get("ETag")
            if tag:
                async with session.get(f"{feeder.address}{path}", headers={"If-None-Match": tag}) as again:
                    assert again.status == 304

    ask(job)


@pytest.mark.parametrize(
    "path", ["page/../settings.py", "page/..%2f..%2fpyproject.toml", "page/%2e%2e/x", "etc/passwd"]
)
def test_only_the_pages_own_files_are_there(feeder: Feeder, path: str) -> None:
    # Written by hand: a client library would tidy the path up.
    with socket.create_connection(("127.0.0.1", feeder.port), timeout=DEADLINE_S) as raw:
        raw.sendall(f"GET /{path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n".encode())
        status = raw.recv(64).split()[1]
    assert status in (b"404", b"400")


def test_a_command_is_answered_and_a_repeat_is_not_done_twice(feeder: Feeder) -> None:
    packet = encode_message("/do/next", "s", ("a-1",))

    async def job(session: aiohttp.ClientSession) -> None:
        one = await live(session, feeder, "page=first")
        await one.send_bytes(packet)
        assert await answer(one, "a-1") == ("/done",)
        await one.close()
        # The same page comes back over another connection, and asks again.
        again = await live(session, feeder, "page=first")
        await again.send_bytes(packet)
        assert await answer(again, "a-1") == ("/done",)
        await again.send_bytes(encode_message("/do/step", "is", (0, "a-2")))
        assert (await answer(again, "a-2"))[0] == "/refused"
        await again.close()

    ask(job)
    assert len(feeder.requests) == 1


def test_nonsense_is_counted_and_stops_nothing(feeder: Feeder) -> None:
    async def job(session: aiohttp.ClientSession) -> None:
        one = await live(session, feeder)
        for nonsense in (b"\x01\x02\x03", b"", b"#bundle\0" + b"\xff" * 12, b"/do/nothing\0,\0\0\0"):
            await one.send_bytes(nonsense)
        await one.send_str("/do/next")
        await one.send_bytes(encode_message("/do/next", "s", ("b-1",)))
        assert await answer(one, "b-1") == ("/done",)
        await one.close()

    ask(job)
    assert feeder.page.refused_packets == 4
    assert len(feeder.requests) == 1


def test_a_flood_of_commands_is_bounded_and_the_others_notice_nothing(feeder: Feeder) -> None:
    async def job(session: aiohttp.ClientSession) -> None:
        calm, flooding = await live(session, feeder, "page=calm"), await live(session, feeder, "page=flood")
        stop = asyncio.Event()

        async def flood() -> None:
            number = 0
            while not stop.is_set():
                number += 1
                await flooding.send_bytes(encode_message("/do/repeat", "s", (f"f-{number}",)))
                if number % 50 == 0:
                    await asyncio.sleep(0.002)

        task = asyncio.create_task(flood())
        for number in range(5):
            await calm.send_bytes(encode_message("/do/next", "s", (f"c-{number}",)))
            assert await answer(calm, f"c-{number}") == ("/done",)
        stop.set()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await calm.close()
        await flooding.close()

    began_s = time.monotonic()
    ask(job)
    done = [request for request in feeder.requests if type(request.command).__name__ == "RepeatStep"]
    # What came in at once, and ten a second since then.
    assert 0 < len(done) <= COMMANDS_AT_ONCE + 10.0 * (time.monotonic() - began_s) + 1


def test_wrong_codes_by_the_thousand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.control.page.is_loopback", lambda _host: False)
    feeder = Feeder(tmp_path, 'listen = "0.0.0.0"\npairing_code = "482913"')
    feeder.show(READINGS, focus=1)

    async def job(session: aiohttp.ClientSession) -> None:
        seen = {"wrong": 0, "waits": 0}
        for number in range(1000):
            headers = {"Origin": origin(feeder)}
            async with session.post(f"{feeder.address}pair", json={"code": f"{number:06}"}, headers=headers) as found:
                assert found.status == 403
                reason = (await found.json())["reason"]
                seen["wrong" if reason == "wrong pairing code" else "waits"] += 1
        assert seen["wrong"] <= 30
        # Even the right one has to wait now.
        async with session.post(f"{feeder.address}pair", json={"code": "482913"}, headers=headers) as found:
            assert (await found.json())["reason"].startswith("too many wrong pairing codes")
        one = await live(session, feeder)
        await one.send_bytes(encode_message("/do/next", "s", ("d-1",)))
        assert (await answer(one, "d-1"))[0] == "/refused"
        await one.close()

    try:
        ask(job)
        assert feeder.requests == []
    finally:
        feeder.close()


def test_a_stalled_screen_is_cut_off_and_the_others_notice_nothing(
    feeder: Feeder, caplog: pytest.LogCaptureFixture
) -> None:
    stalled = socket.socket()
    # Takes little, and then nothing.
    stalled.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    stalled.connect(("127.0.0.1", feeder.port))
    stalled.sendall(
        f"GET /live HTTP/1.1\r\nHost: 127.0.0.1:{feeder.port}\r\nOrigin: {origin(feeder)}\r\nUpgrade: websocket\r\n"
        "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n".encode()
    )

    async def job(session: aiohttp.ClientSession) -> None:
        one = await live(session, feeder)
        while not any("took nothing" in record.getMessage() for record in caplog.records):
            await one.receive_bytes()
        for _ in range(10):
            await one.receive_bytes()
        await one.close()

    assert feeder.page.lost_connections == 0
    ask(job)
    # The one that took its leave does not count.
    assert feeder.page.lost_connections == 1
    stalled.close()


def test_a_screen_that_is_out_of_reach_is_counted(feeder: Feeder, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")

    async def job(session: aiohttp.ClientSession) -> None:
        for _ in range(2):
            one = await live(session, feeder)
            carrier = one._response.connection.transport  # type: ignore[union-attr]
            carrier.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            carrier.abort()

    ask(job)
    wait_until(lambda: feeder.page.lost_connections == 2)
    assert caplog.text.count("went away without a good-bye: 1 so far; it comes back by itself") == 1


def test_connections_beyond_what_can_be_served_are_counted(
    feeder: Feeder, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(server, "CONNECTIONS", 3)
    with contextlib.ExitStack() as opened:
        for _ in range(5):
            opened.enter_context(socket.create_connection(("127.0.0.1", feeder.port)))
        wait_until(lambda: feeder.page.lost_connections == 2)
    assert caplog.text.count("more than 3 connections to the page at one time: the newest are cut off") == 1


def test_20_screens_see_the_same(feeder: Feeder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clients, "CLIENTS_A_HOST", 30)

    async def job(session: aiohttp.ClientSession) -> None:
        screens = [await live(session, feeder) for _ in range(20)]

        async def newest(one: aiohttp.ClientWebSocketResponse) -> float:
            while True:
                for message in decode(await one.receive_bytes()).messages:
                    if message.address == "/track/3/fine" and message.arguments[0] == pytest.approx(-1.5):
                        return float(message.arguments[0])

        feeder.show([reading(track, -1.5) for track in range(1, 25)], focus=1)
        assert len(await asyncio.gather(*map(newest, screens))) == 20
        for one in screens:
            await one.close()

    ask(job)


def test_too_many_screens_are_told_so(feeder: Feeder) -> None:
    async def job(session: aiohttp.ClientSession) -> None:
        screens = [await live(session, feeder) for _ in range(clients.CLIENTS_A_HOST)]
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await live(session, feeder)
        assert refused.value.status == 503
        for one in screens:
            await one.close()
        await until(lambda: not len(feeder.page._server._clients), "the places are free again")
        await (await live(session, feeder)).close()

    ask(job)


def test_setup_and_log_as_documents(feeder: Feeder) -> None:
    async def job(session: aiohttp.ClientSession) -> None:
        async with session.get(f"{feeder.address}setup.json") as found:
            setup = await found.json()
        assert [step["adjustment"] for step in setup["steps"]] == ["repro level", "repro high", "sync level"]
        for step in setup["steps"]:
            # The terms add up to the target: that is what they are.
            assert sum(step["terms_db"].values()) == pytest.approx(step["target_vu"])
        assert setup["visitor"] == {
            "may_command": True,
            "why_not": "",
            "is_local": True,
            "can_pair": False,
            "is_encrypted": False,
        }
        async with session.get(f"{feeder.address}log.json") as found:
            assert (await found.json())["log"] == "off"
        async with session.get(f"{feeder.address}setup.json?watch") as found:
            assert (await found.json())["visitor"]["may_command"] is False

    ask(job)


def test_a_port_that_is_taken_is_said(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(PageError, match=f"cannot serve the page at 127.0.0.1 port {port}"):
            Feeder(tmp_path, port=port)


def test_stop_ends_everything_and_frees_the_port(tmp_path: Path) -> None:
    before = threading.active_count()
    feeder = Feeder(tmp_path)
    feeder.show(READINGS, focus=1)

    async def job(session: aiohttp.ClientSession) -> None:
        one = await live(session, feeder)
        await one.receive_bytes()
        await asyncio.get_running_loop().run_in_executor(None, feeder.close)
        while (message := await one.receive()).type is aiohttp.WSMsgType.BINARY:
            pass
        assert (message.data, message.extra) == (1001, "trimbridge was stopped")
        await one.close()

    ask(job)
    with socket.create_server(("127.0.0.1", feeder.port)):
        pass
    deadline_s = time.monotonic() + DEADLINE_S
    while threading.active_count() > before:
        assert time.monotonic() < deadline_s, threading.enumerate()
        time.sleep(0.02)
    # A viewer may still be shown frames: it does nothing.
    feeder.page.sink.publish(frame(READINGS), time.monotonic())


def test_https_with_a_certificate_of_ones_own(tmp_path: Path) -> None:
    certificate, key = tmp_path / "page.pem", tmp_path / "page-key.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1", "-keyout", str(key), "-out", str(certificate)],
        check=True, capture_output=True, timeout=DEADLINE_S,
    )  # fmt: skip
    feeder = Feeder(tmp_path, f'certificate = "{certificate}"\ncertificate_key = "{key}"')
    feeder.show(READINGS, focus=1)
    trusting = ssl.create_default_context(cafile=str(certificate))

    async def job(session: aiohttp.ClientSession) -> None:
        assert feeder.address.startswith("https://")
        async with session.get(f"{feeder.address}setup.json", ssl=trusting) as found:
            assert (await found.json())["visitor"]["is_encrypted"] is True
        one = await session.ws_connect(f"{feeder.address}live", headers={"Origin": origin(feeder)}, ssl=trusting)
        assert decode(await one.receive_bytes()).messages
        socket = one.get_extra_info("socket")
        await one.close()
        # Both ends say goodbye once more in TLS, and then the client lets go of its socket.
        while socket.fileno() >= 0:
            await asyncio.sleep(0.01)

    try:
        ask(job)
    finally:
        feeder.close()
    with pytest.raises(PageError, match="cannot be used for https"):
        Feeder(tmp_path, f'certificate = "{key}"')


def test_a_layout_with_a_fault_is_told_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('title = "Mine"\nlandscape = []\nportrait = []\n', encoding="utf-8")
    with pytest.raises(PageError, match=r"mine\.toml: landscape"):
        Feeder(tmp_path, 'layouts = ["mine.toml"]')


def test_codes_are_six_digits_and_not_the_same() -> None:
    codes = {new_code() for _ in range(50)}
    assert len(codes) > 40
    assert all(len(code) == 6 and code.isdecimal() for code in codes)


def test_json_of_the_setup_is_json(feeder: Feeder) -> None:
    async def job(session: aiohttp.ClientSession) -> None:
        async with session.get(f"{feeder.address}setup.json") as found:
            # Strictly: browsers read no NaN.
            json.loads(await found.text(), parse_constant=pytest.fail)

    ask(job)
