"""A daemon that is stopped and goes on, as after Ctrl-Z or a computer's sleep, while screens are open."""

import json
import re
import signal
import socket
import struct
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from bridge.log.queries import lines
from bridge.log.store import open_reader
from tests.system.daemon import JACK, Daemon, Ear, free_port, write_config
from tests.system.jack import JackServer, wait_until

STOOD_S = 1.5
"""Longer than samples wait."""


def reset(connection: socket.socket) -> None:
    """End a connection as a network that is gone does: without the good-bye of TCP."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    connection.close()


def request(kind: str, address: str) -> bytes:
    """What a page sends: to be shown frames, to ask whether somebody is there, half of what pairs it."""
    head = f"Host: {address}\r\nOrigin: http://{address}\r\n"
    upgrade = "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
    return {
        # The key is that of RFC 6455, 1.3.
        "live": f"GET /live HTTP/1.1\r\n{head}{upgrade}Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n",
        "alive": f"GET /alive HTTP/1.1\r\n{head}\r\n",
        "pair": f"POST /pair HTTP/1.1\r\n{head}Content-Type: application/json\r\nContent-Length: 50\r\n\r\n{{",
        "refused": f"POST /pair HTTP/1.1\r\n{head}Content-Type: text/plain\r\nContent-Length: 50\r\n\r\n{{",
        "nothing": "",
    }[kind].encode()


def test_a_standstill_is_told_as_what_it_is_and_dead_connections_in_one_line(tmp_path: Path) -> None:
    port = free_port()
    with closing(Ear()) as ear, JackServer(channels=2) as server:
        more = f'destinations = ["127.0.0.1:{ear.port}"]\n'
        config = write_config(tmp_path / "room.toml", port=port, source=JACK, tracks=2, more=more)
        with Daemon(config, server.environment) as daemon:
            daemon.until(lambda: ear.value("/health/source") == "running", "the source runs")
            address = re.search(r"page: http://([\d.]+:\d+)/", daemon.output)[1]
            host, page_port = address.split(":")

            def opened(kind: str) -> socket.socket:
                made = socket.create_connection((host, int(page_port)))
                made.sendall(request(kind, address))
                return made

            live = [opened("live") for _ in range(3)]
            for one in live:
                assert one.recv(100).startswith(b"HTTP/1.1 101")
            ends: tuple[Callable[[socket.socket], None], ...] = (reset, socket.socket.close)
            daemon.process.send_signal(signal.SIGSTOP)
            begun_s = time.monotonic()
            reset(live[0])
            live[1].close()
            for kind in ("live", "alive", "pair", "refused", "nothing"):
                for end in ends:
                    end(opened(kind))
            wait_until(lambda: time.monotonic() - begun_s > STOOD_S, "time has passed", 10.0)
            daemon.process.send_signal(signal.SIGCONT)
            daemon.until(lambda: ear.value("/health/overruns"), "lost samples are counted")
            daemon.until(lambda: "without a good-bye" in daemon.output, "dead connections are told")
            daemon.until(lambda: ear.value("/health/lost_connections"), "they are counted for all to see")
            with closing(opened("alive")) as asking:
                assert asking.recv(100).startswith(b"HTTP/1.1 204"), "the page is served"
            live[2].close()
    said = [line for line in daemon.output.splitlines() if line.partition(":")[0] in ("info", "warning", "error")]
    told = [line for line in said if "info: source: " not in line]
    # A machine with other work may lose samples once more afterwards, and then says that by itself.
    told = [line for line in told if "did not keep up" not in line]
    assert len(told) == 2, told
    standstill, vanished = sorted(told, reverse=True)
    stood_s = re.fullmatch(
        r"warning: the program stood still for ([\d.]+) s: it was stopped, the computer slept, or had no time for it; "
        r"what was played meanwhile was not heard",
        standstill,
    )
    assert STOOD_S <= float(stood_s[1]) < 30.0
    assert re.fullmatch(r"info: a screen .*went away without a good-bye: 1 so far; it comes back by itself", vanished)
    with closing(open_reader(config.with_suffix(".db"))) as connection:
        events = {line.kind: line for line in reversed([*lines(connection)]) if line.kind in ("standstill", "overrun")}
    assert events["overrun"].text == f"samples were lost: the program stood still for {stood_s[1]} s"
    assert json.dumps(events["standstill"].details) == f'{{"stood_s": {stood_s[1]}}}'
