"""Two hosts in network namespaces: what one announces, the other finds with a program that knows the RFCs alone."""

import builtins
import contextlib
import json
import logging
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bridge.wire.discovery import Announcer, Service
from bridge.wire.interfaces import interfaces, reachable
from tests.wire.descriptors import no_descriptors_left
from tests.wire.waiting import wait_until

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
DEADLINE_S = 60
TYPES = ("_osc._udp", "_oscjson._tcp", "_http._tcp")
NAME = "Slate Point two-inch"


@contextlib.contextmanager
def two_hosts() -> Iterator[tuple[list[str], str, list[str], str]]:
    """Yield how to run something on each host, and their addresses. Where that is not allowed, both are this one."""
    one, other = f"tb{os.getpid()}a", f"tb{os.getpid()}b"

    def ip(*words: str) -> bool:
        return subprocess.run(["ip", *words], check=False, capture_output=True).returncode == 0

    if not shutil.which("ip") or not ip("netns", "add", one):
        yield [], "127.0.0.1", [], "127.0.0.1"
        return
    try:
        made = [
            ip("netns", "add", other),
            ip("link", "add", one, "type", "veth", "peer", "name", other),
            *(ip("link", "set", name, "netns", name) for name in (one, other)),
            ip("-n", one, "addr", "add", "198.51.100.1/24", "dev", one),
            ip("-n", other, "addr", "add", "198.51.100.2/24", "dev", other),
            *(ip("-n", name, "link", "set", name, "up") for name in (one, other)),
        ]
        assert all(made)
        runs = (["ip", "netns", "exec", one], ["ip", "netns", "exec", other])
        yield runs[0], "198.51.100.1", runs[1], "198.51.100.2"
    finally:
        for name in (one, other):
            ip("netns", "del", name)


@contextlib.contextmanager
def announcing(run: list[str], address: str, name: str) -> Iterator[None]:
    words = [*run, sys.executable, str(HERE / "announcing.py"), address, name]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(words, stdin=subprocess.PIPE, env=environment) as program:
        try:
            yield
        finally:
            assert program.stdin is not None
            program.stdin.close()
            assert program.wait(DEADLINE_S) == 0


def found(run: list[str], address: str, wait_s: float = DEADLINE_S, types: tuple[str, ...] = TYPES) -> dict[str, Any]:
    words = [*run, sys.executable, str(HERE / "mdns_question.py"), address, str(wait_s), *types]
    done = subprocess.run(words, check=True, capture_output=True, text=True, timeout=2 * DEADLINE_S)
    return dict(json.loads(done.stdout))


def test_the_other_host_finds_what_is_announced_and_sees_it_go() -> None:
    with two_hosts() as (here, address, there, other_address):
        with announcing(here, address, NAME):
            answers = found(there, other_address)
            ports = {}
            for kind in TYPES:
                instance = answers[f"{kind}.local"]["PTR"]
                assert instance == f"{NAME}.{kind}.local"
                port, host = answers[instance]["SRV"]
                ports[kind] = port
                assert answers[host]["A"] == address
            assert ports == {"_osc._udp": 9710, "_oscjson._tcp": 9711, "_http._tcp": 9711}
            assert answers[f"{NAME}._osc._udp.local"]["TXT"] == ["txtvers=1", "version=1.0"]
            assert answers[f"{NAME}._http._tcp.local"]["TXT"] == ["path=/"]
            assert "_osc._tcp.local" not in found(there, other_address, 1.0, ("_osc._tcp",))
        assert found(there, other_address, 1.0) == {}


def test_what_only_this_computer_hears_is_not_announced() -> None:
    assert reachable("127.0.0.1") == []
    assert reachable("::1") == []
    assert not any(one.address.is_loopback for one in reachable("0.0.0.0"))


def test_an_address_that_comes_and_goes_is_announced_while_it_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.wire.discovery.LOOK_S", 0.05)
    there: list[str] = []
    announcer = Announcer(NAME, lambda: [Service("_osc._udp", 9710, tuple(there))])
    announcer.start()
    try:
        assert found([], "127.0.0.1", 1.0, TYPES[:1]) == {}
        there.append("127.0.0.1")
        assert f"{NAME}._osc._udp.local" in found([], "127.0.0.1", types=TYPES[:1])
        there.clear()
        wait_until(lambda: found([], "127.0.0.1", 0.5, TYPES[:1]) == {})
    finally:
        announcer.stop()


def test_without_the_extra_it_says_so_once_and_stops_nothing(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    real = builtins.__import__

    def bare(name: str, *rest: Any, **named: Any) -> Any:
        if name.partition(".")[0] == "zeroconf":
            raise ImportError(name)
        return real(name, *rest, **named)

    monkeypatch.setattr(builtins, "__import__", bare)
    with caplog.at_level(logging.INFO):
        announcer = Announcer(NAME, lambda: [Service("_osc._udp", 9710, ["127.0.0.1"])])
        announcer.start()
        announcer._thread.join(DEADLINE_S)
        announcer.stop()
    assert [record.getMessage() for record in caplog.records if record.name == "bridge.wire.discovery"] == [
        'not announced to the network: install trimbridge with its extra "discovery" for that'
    ]


def test_a_network_that_is_gone_stops_nothing_and_is_told_once(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bridge.wire.discovery.LOOK_S", 0.01)
    asked = 0

    def services() -> list[Service]:
        nonlocal asked
        asked += 1
        return [Service("_osc._udp", 9710, ["203.0.113.9"])]

    announcer = Announcer(NAME, services)
    announcer.start()
    wait_until(lambda: asked > 5)
    announcer.stop()
    assert not announcer._thread.is_alive()
    assert caplog.text.count("not announced to the network") == 1


def test_interfaces_that_cannot_be_listed_for_a_while_are_told_once_and_announced_afterwards(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bridge.wire.discovery.LOOK_S", 0.01)
    kind = "_osc._udp"

    def services() -> list[Service]:
        here = [str(one.address) for one in interfaces() if one.address.is_loopback and one.address.version == 4]
        return [Service(kind, 9710, here)]

    announcer = Announcer(NAME, services)
    try:
        with no_descriptors_left():
            announcer.start()
            wait_until(lambda: "(tried 5 times)" in announcer.problem)
        assert caplog.text.count("not announced to the network: the network interfaces cannot be listed") == 1
        assert f"{NAME}.{kind}.local" in found([], "127.0.0.1", types=(kind,))
        wait_until(lambda: announcer.problem == "")
        # What is announced stands, and is looked at again.
        with no_descriptors_left():
            wait_until(lambda: "(tried 5 times)" in announcer.problem)
        wait_until(lambda: announcer.problem == "")
        assert caplog.text.count("announced to the network is right cannot be told") == 1
        assert announcer._thread.is_alive()
    finally:
        announcer.stop()


def test_it_stops_while_the_names_are_still_being_asked_for() -> None:
    """That takes more than a second a name (RFC 6762, 8.1 and 8.3), and the daemon shall end in two."""
    announcer = Announcer(NAME, lambda: [Service(f"_tb{number}._udp", 9710, ["127.0.0.1"]) for number in range(4)])
    before = threading.active_count()
    announcer.start()
    wait_until(lambda: threading.active_count() == before + 2)  # ours, and that of the library
    announcer.stop()
    assert not announcer._thread.is_alive()
