"""Hear two multicast groups while the only network interface comes, goes and comes back: a program of its own.

It runs in a network namespace of its own, where it may make interfaces. Arguments: the interface that the groups are
bound to, or an empty one; whether it goes by being "unplugged" for good, so that another comes, or switched "off" and
on; and, if wanted, "eight": the system reads the first eight bytes of a membership alone, and the groups are routed by
another interface. What it hears is written on standard output, a line for each stay of the interface.
"""

import logging
import queue
import socket
import subprocess
import sys
import time
from collections.abc import Callable

from bridge.wire import multicast, udp
from bridge.wire.destinations import Destination, destination
from bridge.wire.multicast import Memberships, Multicast
from bridge.wire.udp import UdpEndpoint

GROUPS = ("239.255.77.1", "ff15::7711")  # RFC 2365, 6.1; RFC 4291, 2.7
DEADLINE_S = 60.0
WIRE = "tbwire"


def tell(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, timeout=DEADLINE_S)


def plug_in(host: int) -> None:
    ip("link", "add", WIRE, "type", "veth", "peer", "name", "tbend")
    ip("addr", "add", f"198.51.100.{host}/24", "dev", WIRE)  # RFC 5737
    ip("link", "set", "tbend", "up")
    switch_on(host)


def switch_on(host: int) -> None:
    ip("link", "set", WIRE, "up")
    # What the system takes away when it is switched off.
    ip("addr", "add", f"2001:db8::{host}/64", "dev", WIRE, "nodad")  # RFC 3849
    ip("route", "add", "default", "dev", WIRE)


def read_eight_bytes() -> None:
    """Have the system behave as macOS may: of a membership it reads ``struct ip_mreq``, the group and an address."""
    udp.JOINS_BY_INDEX = False  # type: ignore[misc]
    whole = socket.socket.setsockopt

    def cut(self: socket.socket, level: int, option: int, value: int | bytes) -> None:
        if level == socket.IPPROTO_IP and option in (socket.IP_ADD_MEMBERSHIP, socket.IP_DROP_MEMBERSHIP):
            assert isinstance(value, bytes)
            value = value[:8]
        whole(self, level, option, value)

    socket.socket.setsockopt = cut  # type: ignore[method-assign,assignment]
    ip("link", "add", "tbother", "type", "veth", "peer", "name", "tbvoid")
    ip("addr", "add", "203.0.113.1/24", "dev", "tbother")  # RFC 5737
    ip("link", "set", "tbvoid", "up")
    ip("link", "set", "tbother", "up")
    ip("route", "add", "224.0.0.0/4", "dev", "tbother")  # RFC 5771


def send(group: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in group else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as sender:
        index = socket.if_nametoindex(WIRE)
        if family == socket.AF_INET6:
            sender.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_IF, index)
        else:
            request = bytes(8) + index.to_bytes(4, sys.byteorder)  # struct ip_mreqn
            sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, request)
        sender.sendto(group.encode(), (group, port))


def until_heard(heard: "queue.Queue[bytes]", wanted: str, send: Callable[[], object]) -> None:
    """Send until it is heard: when a group is joined is not known from outside."""
    ends_s = time.monotonic() + DEADLINE_S
    while True:
        send()
        try:
            got = heard.get(timeout=0.05)
        except queue.Empty:
            assert time.monotonic() < ends_s, f"{wanted} is not heard"
            continue
        if got.decode() == wanted:
            return


def listen(heard: "queue.Queue[bytes]", port: int, frames: Destination) -> None:
    for group in GROUPS:
        until_heard(heard, group, lambda group=group: send(group, port))
    # And what the daemon itself sends to a group goes by the interface that is there now.
    until_heard(heard, "frame", lambda: frames.send(b"frame"))
    tell("heard both")


def main(interface: str, going: str, reading: str = "") -> None:
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(message)s")
    multicast.LOOK_S = 0.05  # type: ignore[misc]
    ip("link", "set", "lo", "up")
    if reading == "eight":
        read_eight_bytes()
    if interface:
        plug_in(1)
    heard: queue.Queue[bytes] = queue.Queue()
    endpoint = UdpEndpoint("::", 0)
    memberships = Memberships(endpoint, GROUPS, interface)
    tell("waits" if memberships.problem else "joined")
    endpoint.start(lambda packet, _sender, _now_s: heard.put(packet))
    memberships.start()
    try:
        if not interface:
            plug_in(1)
        frames = destination(f"{GROUPS[0]}:{endpoint.address[1]}", Multicast(interface))
        listen(heard, endpoint.address[1], frames)
        ip(*(("link", "del", WIRE) if going == "unplugged" else ("link", "set", WIRE, "down")))
        ends_s = time.monotonic() + DEADLINE_S
        while not memberships.problem:
            assert time.monotonic() < ends_s
            frames.send(b"lost")
            time.sleep(0.01)
        tell("gone")
        if going == "unplugged":
            plug_in(2)
        else:
            switch_on(1)
        listen(heard, endpoint.address[1], frames)
        frames.close()
    finally:
        memberships.stop()
        endpoint.stop()
    tell(f"problem {memberships.problem!r}")


if __name__ == "__main__":
    main(*sys.argv[1:])
