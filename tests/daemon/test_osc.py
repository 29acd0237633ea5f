"""OSC as the daemon starts it: over UDP and TCP, on the page's server, and what is told to the network."""

import asyncio
import contextlib
import ipaddress
import logging
import socket
from collections.abc import Iterator
from pathlib import Path

import aiohttp
import pytest

from bridge.config.load import loads
from bridge.config.settings import Settings
from bridge.control.inbox import CommandInbox
from bridge.daemon.osc import Osc, announcer
from bridge.daemon.page import Page
from bridge.daemon.setup import setup_of
from bridge.wire.framing import SlipFraming, with_ends
from bridge.wire.interfaces import Interface
from bridge.wire.osc import decode, encode_message
from bridge.wire.udp import UdpError
from tests.sinks.test_osc_liblo import FRAME
from tests.wire.waiting import DEADLINE_S, wait_until

BASE = '[machine]\nname = "Slate Point"\ntracks = 2\n[page]\nport = 0\n[log]\nenabled = false\n[osc]\nport = 0\n'


def settings_of(more: str = "") -> Settings:
    return loads(BASE + more, Path("studio.toml"))


@contextlib.contextmanager
def started(settings: Settings) -> Iterator[tuple[Osc, CommandInbox]]:
    inbox = CommandInbox()
    osc = Osc(settings, inbox)
    try:
        osc.start()
        yield osc, inbox
    finally:
        osc.stop()


def test_a_receiver_that_nobody_knows_does_not_stop_the_start(caplog: pytest.LogCaptureFixture) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", 0))
        other.settimeout(DEADLINE_S)
        port = other.getsockname()[1]
        more = f'destinations = ["tablet.invalid:9000", "127.0.0.1:{port}"]\nimmediately = true\n'
        with started(settings_of(more)) as (osc, _), caplog.at_level(logging.WARNING):
            osc.sink.publish(FRAME, 0.0)
            assert decode(other.recv(65_536)).time_tag == 1
            assert osc.dropped_packets == 1
            wait_until(lambda: "host 'tablet.invalid' is not known" in caplog.text)
            assert osc.problem.startswith("host 'tablet.invalid' is not known")


def test_over_tcp_too() -> None:
    with started(settings_of('tcp = "slip"\ntcp_port = 0\n')) as (osc, _):
        with socket.create_connection(("127.0.0.1", osc.tcp_port), DEADLINE_S) as peer:
            peer.sendall(with_ends(encode_message("/version", "s", ("r1",))))
            got: list[bytes] = []
            framing = SlipFraming(65_536)
            while len(got) < 2:
                got += framing.feed(peer.recv(4096))
        assert [decode(packet).messages[0].address for packet in got] == ["/version", "/done"]


def test_people_get_the_page_and_programs_the_addresses() -> None:
    settings = settings_of()
    with started(settings) as (osc, inbox):
        page = Page(settings, setup_of(settings), inbox, log=None, queries=osc.queries)
        page.start()
        try:
            asyncio.run(_ask(f"http://127.0.0.1:{page.port}", osc))
        finally:
            page.stop()


async def _ask(url: str, osc: Osc) -> None:
    async with aiohttp.ClientSession() as session:
        async with session.get(url, headers={"Accept": "text/html,*/*;q=0.8"}) as answer:
            assert answer.content_type == "text/html"
        async with session.get(f"{url}/?HOST_INFO", headers={"Accept": "text/html"}) as answer:
            assert (await answer.json())["OSC_PORT"] == osc.port
        async with session.get(url) as answer:
            assert set((await answer.json())["CONTENTS"]) >= {"track", "do"}
        async with session.get(f"{url}/track/2/vu?TYPE") as answer:
            assert await answer.json() == {"TYPE": "f"}
        # A stranger's name for this computer: the check of the page's server holds for programs as well.
        async with session.get(url, headers={"Host": "example.org"}) as answer:
            assert answer.status == 403
        async with session.ws_connect(url) as line:
            await line.send_str('{"COMMAND": "LISTEN", "DATA": "/track/2/vu"}')
            osc.queries.publish(FRAME, 0.0)
            heard = await line.receive_bytes(timeout=DEADLINE_S)
            assert decode(heard).messages[0].arguments == (-0.125,)


def test_what_is_told_to_the_network(monkeypatch: pytest.MonkeyPatch) -> None:
    outside = Interface(("eth7",), 7, ipaddress.ip_address("198.51.100.1"))
    monkeypatch.setattr("bridge.wire.interfaces.interfaces", lambda: [outside])

    def told(more: str, page: str = "127.0.0.1") -> dict[str, int]:
        settings = settings_of('tcp = "slip"\ntcp_port = 0\n' + more)
        settings = settings.model_copy(update={"page": settings.page.model_copy(update={"listen": page})})
        with started(settings) as (osc, _):
            telling = announcer(settings, osc, 9711)
            return {one.kind: one.port for one in telling._services()} if telling else {}

    assert told("") == {}
    assert set(told('listen = "0.0.0.0"\n')) == {"_osc._udp", "_osc._tcp"}
    assert told("", "0.0.0.0") == {"_http._tcp": 9711, "_oscjson._tcp": 9711}
    assert told('listen = "0.0.0.0"\nannounce = false\n', "0.0.0.0") == {}


def test_nothing_is_told_to_the_network_while_only_this_computer_is_heard() -> None:
    with started(settings_of("")) as (osc, _):
        assert announcer(settings_of(""), osc, 9711) is None
        assert announcer(settings_of('listen = "::1"\n'), osc, None) is None
        assert announcer(settings_of('listen = "0.0.0.0"\n'), osc, None) is not None


def test_a_wrong_interface_is_told_at_the_start() -> None:
    with pytest.raises(UdpError, match="no network interface 'wifi9'"):
        Osc(settings_of('destinations = ["239.255.77.1:9000"]\nmulticast_interface = "wifi9"\n'), CommandInbox())


GROUP = "239.255.77.2"  # RFC 2365, 6.1: for use within one site
ON_LOOPBACK = 'listen = "0.0.0.0"\nmulticast_interface = "127.0.0.1"\n'


@contextlib.contextmanager
def group_sender() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as made:
        made.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("127.0.0.1"))
        made.settimeout(DEADLINE_S)
        yield made


def test_a_multicast_group_is_heard_only_where_that_is_asked_for() -> None:
    """Another program on this computer has joined it, which by itself would let Linux hand it to every program."""
    with group_sender() as sender, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("0.0.0.0", 0))
        other.setsockopt(
            socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, socket.inet_aton(GROUP) + socket.inet_aton("127.0.0.1")
        )
        for asked, wanted in (("", []), (f'groups = ["{GROUP}"]\n', ["GoToStep"])):
            with started(settings_of(ON_LOOPBACK + asked)) as (osc, inbox):
                sender.sendto(encode_message("/do/step", "i", (3,)), (GROUP, osc.port))
                sender.sendto(encode_message("/do/focus", "i", (2,)), ("127.0.0.1", osc.port))
                # What was sent later to the same socket comes later.
                commands: list[str] = []

                def both(inbox: CommandInbox = inbox, commands: list[str] = commands) -> bool:
                    commands.extend(type(request.command).__name__ for request in inbox.take())
                    return "Focus" in commands

                wait_until(both)
                assert commands == [*wanted, "Focus"]


def test_a_sender_to_a_group_must_be_paired_like_any_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.control.pairing.is_loopback", lambda _host: False)  # as if from another computer
    more = ON_LOOPBACK + f'groups = ["{GROUP}"]\npairing_code = "271828"\n'
    with group_sender() as sender, started(settings_of(more)) as (osc, inbox):

        def answer(address: str, tags: str, *arguments: str | int) -> tuple[object, ...]:
            sender.sendto(encode_message(address, tags, arguments), (GROUP, osc.port))
            return decode(sender.recv(2000)).messages[0].arguments

        assert answer("/do/step", "is", 3, "a") == ("a", "not paired: send /pair with the pairing code first")
        assert answer("/pair", "ss", "271828", "b") == ("b",)
        sender.sendto(encode_message("/do/step", "i", (3,)), (GROUP, osc.port))
        wait_until(lambda: bool(inbox.take()))


def test_a_group_by_an_interface_that_is_not_there_stops_the_start() -> None:
    more = f'listen = "0.0.0.0"\nmulticast_interface = "wifi9"\ngroups = ["{GROUP}"]\n'
    with pytest.raises(UdpError, match="no network interface 'wifi9'"):
        Osc(settings_of(more), CommandInbox())
