"""Announcements by DNS-SD (RFC 6763) over multicast DNS (RFC 6762): what is served here in; found by others.

Needs the extra ``discovery``. It is for convenience alone, so nothing that goes wrong here stops anything: it is said
once.
"""

import ipaddress
import logging
import socket
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from bridge.wire.interfaces import interfaces

if TYPE_CHECKING:
    from zeroconf import ServiceInfo, Zeroconf

LABEL_BYTES: Final = 63
"""Longest instance name (RFC 6763, 4.1.1)."""

STOP_S: Final = 2.0
"""How long the good-byes may take."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Service:
    """One thing that is served.

    Parameters
    ----------
    kind : str
        Service type without domain, such as ``_osc._udp``.
    port : int
    addresses : sequence of str
        Numeric addresses by which others reach it; without any it is not announced.
    properties : mapping
        Its TXT record.
    """

    kind: str
    port: int
    addresses: Sequence[str]
    properties: Mapping[str, str] = field(default_factory=dict)


def host_name() -> str:
    """Return the name of this computer in the domain of multicast DNS."""
    return f"{socket.gethostname().partition('.')[0]}.local"


class Announcer:
    """Announces services under one name until it is stopped.

    Parameters
    ----------
    name : str
        What people see; another computer with the same name makes it get a number.
    services : sequence of Service
    """

    def __init__(self, name: str, services: Sequence[Service]) -> None:
        self._name = name.encode()[:LABEL_BYTES].decode(errors="ignore").strip()
        self._services = [service for service in services if service.addresses]
        self._zeroconf: Zeroconf | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="announcing", daemon=True)

    def start(self) -> None:
        """Begin to announce, if there is anything that others can reach. Returns at once."""
        if self._services:
            self._thread.start()

    def stop(self) -> None:
        """Take the announcements back. Never raises; also when never started."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(STOP_S)

    def _run(self) -> None:
        try:
            from zeroconf import Error, Zeroconf  # noqa: PLC0415 - an extra: it may not be there
        except ImportError:
            _log.info('not announced to the network: install trimbridge with its extra "discovery" for that')
            return
        wanted = {address for service in self._services for address in service.addresses}
        own = wanted & {str(interface.address) for interface in interfaces()}
        if not own:
            _log.warning("not announced to the network: this computer has none of the addresses %s any more", wanted)
            return
        try:
            zeroconf = Zeroconf(interfaces=sorted(own))
        except (OSError, Error) as error:
            _log.warning("not announced to the network: %s", error)
            return
        try:
            for service in self._services:
                zeroconf.register_service(self._info(service), allow_name_change=True)
            _log.info("announced to the network as %r", self._name)
            self._stopping.wait()
            zeroconf.unregister_all_services()
        except (OSError, Error) as error:
            _log.warning("not announced to the network any more: %s", error or type(error).__name__)
        finally:
            zeroconf.close()

    def _info(self, service: Service) -> "ServiceInfo":
        from zeroconf import ServiceInfo  # noqa: PLC0415

        return ServiceInfo(
            f"{service.kind}.local.",
            f"{self._name}.{service.kind}.local.",
            port=service.port,
            properties=dict(service.properties),
            server=f"{host_name()}.",
            addresses=[ipaddress.ip_address(address).packed for address in service.addresses],
        )
