"""Multicast groups: by which network interface they are sent to, and heard, while interfaces come and go."""

import contextlib
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
        When it is not of this computer, or does not speak this version of IP.
    """
    if not wanted:
        return "0.0.0.0", 0
    known = interfaces() if known is None else known
    found = [one for one in known if one.address.version == version and wanted in (*one.names, str(one.address))]
    # One that was named by any of its addresses speaks the other version as well.
    indices = {one.index for one in known if wanted == str(one.address)}
    found += [one for one in known if one.address.version == version and one.index in indices]
    if not found:
        names = ", ".join(dict.fromkeys(one.names[0] for one in known))
        raise UdpError(f"no network interface {wanted!r} that speaks IPv{version}: there are {names}")
    return str(found[0].address), found[0].index


class Memberships:
    """The groups that an endpoint hears, joined anew when the network interfaces change.

    A membership goes with its interface, and the one that comes back is another to the system. Where the system
    chooses the interface, it chooses once, by the routes that there are then.

    Parameters
    ----------
    endpoint : UdpEndpoint
    groups : sequence of str
        Numeric addresses.
    interface : str
        Name or numeric address of the network interface; empty leaves the choice to the system.

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
        self._known: list[Interface] = []
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
        """Join again what a change of the interfaces has cost."""
        if not self._versions:
            return
        try:
            known = interfaces()
        except OSError as error:
            _log.debug("the network interfaces cannot be listed: %s", error)
            return
        changed, self._known = known != self._known, known
        for group, version in self._versions.items():
            try:
                at = chosen_interface(self._interface, version, known)
                # Where the system chooses, what it would choose now is not known: every change may be one of routes.
                if group in self._missing or self._joined.get(group) != at or (changed and not self._interface):
                    self._leave(group)
                    self._endpoint.join(group, *at)
                    self._joined[group] = at
            except UdpError as error:
                self._lost(group, str(error))
            else:
                if self._missing.pop(group, None) is not None:
                    _log.info("the multicast group %s is heard", group)

    def _leave(self, group: str) -> None:
        before = self._joined.pop(group, None)
        if before is not None:
            # The system may have ended it, with the interface.
            with contextlib.suppress(UdpError):
                self._endpoint.leave(group, *before)

    def _lost(self, group: str, reason: str) -> None:
        self._leave(group)
        if group not in self._missing:
            _log.warning("%s: it is tried again", reason)
        self._missing[group] = reason if group in reason else f"the multicast group {group} is not heard: {reason}"
