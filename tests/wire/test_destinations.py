"""Fixed receivers by number, by name and as a multicast group, on the loopback interface."""

import contextlib
import logging
import socket
import sys
from collections.abc import Iterator

import pytest

from bridge.wire import destinations
from bridge.wire.destinations import NamedDestination, destination
from bridge.wire.multicast import Multicast
from bridge.wire.udp import UdpDestination, UdpError, lookup
from tests.wire.waiting import DEADLINE_S, wait_until

GROUP = "239.255.77.1"  # RFC 2365, 6.1: for use within one site


@contextlib.contextmanager
def hearing(family: socket.AddressFamily, host: str) -> Iterator[socket.socket]:
    with socket.socket(family, socket.SOCK_DGRAM) as made:
        made.bind((host, 0))
        made.settimeout(DEADLINE_S)
        yield made


def test_a_number_is_sent_to_at_once() -> None:
    with hearing(socket.AF_INET6, "::1") as one:
        out = destination(f"[::1]:{one.getsockname()[1]}")
        assert isinstance(out, UdpDestination)
        assert out.send(b"frame")
        assert one.recv(100) == b"frame"
        out.close()


LOOPBACK = socket.if_indextoname(1)
RECEIVE_TTL = {"linux": 12, "darwin": 24}.get(sys.platform, 21)
"""IP_RECVTTL of netinet/in.h, which Python has no name for."""


@pytest.mark.parametrize("interface", [LOOPBACK, "127.0.0.1"])
def test_a_multicast_group_by_one_interface_and_no_further_than_asked(interface: str) -> None:
    with hearing(socket.AF_INET, "0.0.0.0") as one:
        membership = socket.inet_aton(GROUP) + socket.inet_aton("127.0.0.1")
        one.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
        one.setsockopt(socket.IPPROTO_IP, RECEIVE_TTL, 1)
        for ttl in (1, 7):
            out = destination(f"{GROUP}:{one.getsockname()[1]}", Multicast(interface, ttl))
            assert out.send(b"frame")
            packet, said, _, sender = one.recvmsg(100, 100)
            assert (packet, sender[0]) == (b"frame", "127.0.0.1")
            assert [value[0] for _, _, value in said] == [ttl]
            out.close()


def test_a_multicast_group_of_ipv6() -> None:
    # The loopback interface takes no multicast packets of IPv6 everywhere, so the socket's own word is taken.
    with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as made:
        out = destination("[ff15::7711]:9000", Multicast("::1", 3))
        assert isinstance(out, UdpDestination)
        assert out._prepare is not None
        out._prepare(made)
        assert made.getsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_IF) == socket.if_nametoindex(LOOPBACK)
        assert made.getsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_HOPS) == 3


def test_an_interface_that_is_not_there() -> None:
    with pytest.raises(UdpError, match=r"no network interface 'wifi9' that speaks IPv4: there are .*lo"):
        destination(f"{GROUP}:9000", Multicast("wifi9"))


def test_a_name_that_nobody_knows_yet_holds_nothing_up_and_is_found_later(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(destinations, "UNKNOWN_AGAIN_S", 0.01)
    with hearing(socket.AF_INET, "127.0.0.1") as one, caplog.at_level(logging.INFO):
        # RFC 6761, 6.4: this name exists nowhere.
        out = destination(f"tablet.invalid:{one.getsockname()[1]}")
        assert isinstance(out, NamedDestination)
        wait_until(lambda: not out.send(b"frame") and "is not known" in caplog.text)
        assert out.lost_packets > 0
        # The other computer is switched on.
        monkeypatch.setattr("bridge.wire.udp.lookup", lambda host, port: lookup("127.0.0.1", port))
        wait_until(lambda: out.send(b"frame"))
        assert one.recv(100) == b"frame"
        wait_until(lambda: "is known now" in caplog.text)
        assert sum("is not known" in record.getMessage() for record in caplog.records) == 1
        lost = out.lost_packets
        out.close()
        assert out.lost_packets == lost
        wait_until(lambda: out._looking is not None and not out._looking.is_alive())


def test_a_name_whose_address_changes_is_followed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(destinations, "KNOWN_AGAIN_S", 0.01)
    monkeypatch.setattr(destinations, "UNKNOWN_AGAIN_S", 0.01)
    with hearing(socket.AF_INET, "127.0.0.1") as first, hearing(socket.AF_INET, "127.0.0.2") as second:
        port = first.getsockname()[1]
        second.close()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as moved:
            moved.bind(("127.0.0.2", port))
            moved.setblocking(False)
            out = NamedDestination(f"localhost:{port}")
            wait_until(lambda: out.send(b"frame"))
            assert first.recv(100) == b"frame"
            monkeypatch.setattr("bridge.wire.udp.lookup", lambda host, port: ("127.0.0.2", port))

            def has_moved() -> bool:
                out.send(b"moved")
                try:
                    return moved.recv(100) == b"moved"
                except BlockingIOError:
                    return False

            wait_until(has_moved)
            out.close()
            wait_until(lambda: out._looking is not None and not out._looking.is_alive())
