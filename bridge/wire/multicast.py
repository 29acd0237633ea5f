"""Multicast groups: by which network interface they are sent to, and heard, while interfaces come and go."""

import errno
import ipaddress
import logging
import socket
import struct
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from bridge.wire.interfaces import Interface, interfaces
from bridge.wire.udp import UdpEndpoint, UdpError

LOOK_S: Final = 3.0
"""Between two looks at the network interfaces: asking the system takes a quarter of a millisecond, and whoever plugs a
cable in waits longer for an address."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Multicast:
    """How multicast groups are sent to.

    Parameters
    ----------
    interface : str
        Name or numeric address of the network interface; empty leaves the choice to the system.
    ttl : int
        Through how many networks, 0–255 (RFC 1112, 6.1): 1 is this network alone, 0 this computer alone.
    """

    interface: str = ""
    ttl: int = 1

    def prepared(self, version: int) -> Callable[[socket.socket], None]:
        """Return what sets up a socket for sending; the interface is looked for each time.

        Raises
        ------
        UdpError
            When it is not of this computer now.
        """
        chosen_interface(self.interface, version)

        def prepare(made: socket.socket) -> None:
            try:
                own, index = chosen_interface(self.interface, version)
            except UdpError as error:
                raise OSError(errno.ENODEV, str(error)) from None
            if version == 4:
                made.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, self.ttl)
                if self.interface:
                    made.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(own))
            else:
                made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_HOPS, self.ttl)
                if self.interface:
                    made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_IF, struct.pack("@I", index))

        return prepare


def chosen_interface(wanted: str, version: int, known: Sequence[Interface] | None = None) -> tuple[str, int]:
    """Return one address and the index of the wanted interface; what leaves the choice to the system where none is.

    Raises
    ------
    UdpError
        When it is not of this computer, or does not speak this version of IP, or the system does not tell.
    """
    if not wanted:
        return "0.0.0.0", 0
    known = _listed() if known is None else known
    found = [one for one in known if one.address.version == version and wanted in (*one.names, str(one.address))]
    # One that was named by any of its addresses speaks the other version as well.
    indices = {one.index for one in known if wanted == str(one.address)}
    found += [one for one in known if one.address.version == version and one.index in indices]
    if not found:
        names = ", ".join(dict.fromkeys(one.names[0] for one in known))
        raise UdpError(f"no network interface {wanted!r} that speaks IPv{version}: there are {names}")
    return str(found[0].address), found[0].index


def _listed() -> list[Interface]:
    try:
        return interfaces()
    except OSError as error:
        raise UdpError(str(error.strerror)) from None


def routed_interface(group: str, known: Sequence[Interface]) -> tuple[str, int]:
    """Return one address and the index of the interface by which the system would send to a group now.

    It is asked, and not left to choose while joining: the choice would not be known, and the one that it would make
    while leaving is another once the routes have changed.

    Raises
    ------
    UdpError
        When there is no route, or it cannot be told of which interface it is.
    """
    version = ipaddress.ip_address(group).version
    try:
        with socket.socket(socket.AF_INET if version == 4 else socket.AF_INET6, socket.SOCK_DGRAM) as asking:
            # Nothing is sent by this. The port is that of nobody (RFC 863).
            asking.connect((_of_any_scope(group), 9))
            own, _, *rest = asking.getsockname()
    except OSError as error:
        raise UdpError(f"cannot hear the multicast group {group}: {error.strerror or error}") from None
    if rest and rest[1]:
        return own, rest[1]  # an address of one link alone comes with its interface
    for one in known:
        if str(one.address) == own:
            return own, one.index
    raise UdpError(f"cannot hear the multicast group {group}: no network interface has the address {own}")


def _of_any_scope(group: str) -> str:
    """Return a group of IPv6 with global scope (RFC 4291, 2.7); others as they are.

    Of a link's own the system tells no route, and the route of one group is that of all.
    """
    if ":" not in group:
        return group
    packed = ipaddress.IPv6Address(group).packed
    return str(ipaddress.IPv6Address(bytes((packed[0], packed[1] | 0x0E)) + packed[2:]))


class Memberships:
    """The groups that an endpoint hears, joined anew when the network interfaces or the routes change.

    A membership goes with its interface, and the one that comes back is another to the system. Each is of one interface
    that is known by its index: what is joined can be left, whatever has become of addresses and routes since. Where the
    system is told an address instead (`JOINS_BY_INDEX`), one whose address has gone is left to the system to end.

    Parameters
    ----------
    endpoint : UdpEndpoint
    groups : sequence of str
        Numeric addresses.
    interface : str
        Name or numeric address of the network interface; empty takes the one by which the system sends to the group.

    Raises
    ------
    UdpError
        When the interface is not of this computer, or the endpoint does not speak this version of IP. A network that
        is not there yet is waited for.
    """

    def __init__(self, endpoint: UdpEndpoint, groups: Sequence[str], interface: str) -> None:
        self._endpoint = endpoint
        self._interface = interface
        self._versions = {group: ipaddress.ip_address(group).version for group in groups}
        self._joined: dict[str, tuple[str, int]] = {}
        self._missing: dict[str, str] = {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="multicast groups", daemon=True)
        for version in set(self._versions.values()):
            chosen_interface(interface, version)
        for group in groups:
            endpoint.require_family(group)
        self.renew()

    @property
    def problem(self) -> str:
        """Which group is not heard, and why, in one line; empty when all are."""
        return (*self._missing.values(), "")[0]

    def start(self) -> None:
        """Begin to look after the groups, if there are any."""
        if self._versions:
            self._thread.start()

    def stop(self) -> None:
        """Look no more. Never raises; also when never started."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(1.0)

    def _run(self) -> None:
        while not self._stopping.wait(LOOK_S):
            self.renew()

    def renew(self) -> None:
        """Join again what a change of the interfaces or routes has cost. Raises nothing."""
        if not self._versions:
            return
        try:
            known = _listed()
        except UdpError as error:
            for group in self._versions:
                self._lost(group, f"whether the multicast group {group} is heard cannot be told: {error}")
            return
        for group, version in self._versions.items():
            try:
                self._follow(group, version, known)
            except UdpError as error:
                self._lost(group, str(error))
            else:
                if self._missing.pop(group, None) is not None:
                    _log.info("the multicast group %s is heard", group)

    def _follow(self, group: str, version: int, known: Sequence[Interface]) -> None:
        """Be a member by the interface that is wanted now, and by no other."""
        wanted = self._interface
        try:
            at = chosen_interface(wanted, version, known) if wanted else routed_interface(group, known)
        except UdpError:
            self._leave(group)
            raise
        if self._joined.get(group) != at:
            self._leave(group)
            self._endpoint.join(group, *at)
            self._joined[group] = at

    def _leave(self, group: str) -> None:
        """Be no member any more; one that cannot be ended stays known, and is tried to be ended again."""
        if group in self._joined:
            self._endpoint.leave(group, *self._joined[group])
            del self._joined[group]

    def _lost(self, group: str, reason: str) -> None:
        if group not in self._missing:
            _log.warning("%s: it is tried again", reason)
        self._missing[group] = reason if group in reason else f"the multicast group {group} is not heard: {reason}"
