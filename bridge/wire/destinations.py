"""Fixed receivers of frames: ``host:port`` in; what sends there, without ever waiting, out.

A host may be a number, a multicast group or a name. Names are looked up beside everything else, again and again: a
receiver that nobody knows yet, or whose address changes, holds nothing up.
"""

import ipaddress
import logging
import threading
import time
from typing import Final, Protocol

from bridge.wire.multicast import Multicast
from bridge.wire.udp import Address, UdpDestination, UdpError, resolve

KNOWN_AGAIN_S: Final = 60.0
"""A name that is known is looked up again after so long: an address that is lent changes after minutes at soonest."""

UNKNOWN_AGAIN_S: Final = 10.0
"""A name that is not known is looked up again after so long: soon after the other computer was switched on."""

SYSTEMS_CHOICE: Final = Multicast()

_log = logging.getLogger(__name__)


class Destination(Protocol):
    """What takes packets for one receiver or group. For one thread at a time."""

    @property
    def lost_packets(self) -> int:
        """Packets that could not be sent."""
        ...

    @property
    def problem(self) -> str:
        """Why it is not reached, in one line; empty when nothing is known against it."""
        ...

    def send(self, packet: bytes) -> bool:
        """Send, or count it as lost. Never waits, never raises."""
        ...

    def close(self) -> None:
        """Let go of what it holds."""
        ...


def destination(text: str, multicast: Multicast = SYSTEMS_CHOICE) -> Destination:
    """Return what sends to ``host:port`` or ``[host]:port``.

    Raises
    ------
    UdpError
        When it is not of that form, or the multicast interface is not of this computer.
    """
    host, _, _ = text.rpartition(":")
    try:
        address = ipaddress.ip_address(host.strip("[]"))
    except ValueError:
        return NamedDestination(text)
    if not address.is_multicast:
        return UdpDestination(resolve(text))
    return UdpDestination(resolve(text), multicast.prepared(address.version))


class NamedDestination:
    """A receiver that is known by name. Each look-up has a short thread of its own: it may wait for a server."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._lost_packets = 0
        self._found: Address | None = None
        self._sending: UdpDestination | None = None
        self._again_s = 0.0
        self._looking: threading.Thread | None = None
        self._unknown = ""
        self._look_up()

    @property
    def lost_packets(self) -> int:
        """Packets that could not be sent, those included for which nobody was known."""
        return self._lost_packets + (self._sending.lost_packets if self._sending else 0)

    @property
    def problem(self) -> str:
        """Why it is not reached, in one line; empty when nothing is known against it."""
        return self._sending.problem if self._sending else self._unknown

    def send(self, packet: bytes) -> bool:
        """Send, or count it as lost. Never waits, never raises."""
        if time.monotonic() >= self._again_s:
            self._look_up()
        found = self._found
        if found is not None and (self._sending is None or self._sending.address != found):
            self.close()
            self._sending = UdpDestination(found)
        if self._sending is None:
            self._lost_packets += 1
            return False
        return self._sending.send(packet)

    def close(self) -> None:
        """Let go of the socket."""
        if self._sending is not None:
            self._lost_packets += self._sending.lost_packets
            self._sending.close()
            self._sending = None

    def _look_up(self) -> None:
        if self._looking is not None and self._looking.is_alive():
            return
        self._again_s = time.monotonic() + (UNKNOWN_AGAIN_S if self._found is None else KNOWN_AGAIN_S)
        self._looking = threading.Thread(target=self._ask, name=f"looking up {self.text}", daemon=True)
        self._looking.start()

    def _ask(self) -> None:
        try:
            self._found = resolve(self.text)
        except UdpError as error:
            if not self._unknown:
                _log.warning("%s: it is looked up again every %g s", error, UNKNOWN_AGAIN_S)
            self._unknown = str(error)
        else:
            if self._unknown:
                _log.info("%s is known now", self.text)
            self._unknown = ""
