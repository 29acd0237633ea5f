"""Announcements by DNS-SD (RFC 6763) over multicast DNS (RFC 6762): what is served here in; found by others.

Needs the extra ``discovery``. It is for convenience alone, so nothing that goes wrong here stops anything: it is said
once.
"""

import asyncio
import ipaddress
import logging
import socket
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import CancelledError, Future
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from bridge.wire.interfaces import interfaces

if TYPE_CHECKING:
    from zeroconf import ServiceInfo, Zeroconf

LABEL_BYTES: Final = 63
"""Longest instance name (RFC 6763, 4.1.1)."""

STOP_S: Final = 1.0
"""How long the good-byes may take: three of them, an eighth of a second apart; the whole daemon shall end in two
seconds."""

LOOK_S: Final = 3.0
"""Between two looks at what can be reached."""

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
    services : callable
        Returns what can be reached now. It is asked again and again: networks come and go, and lend other addresses.
    """

    def __init__(self, name: str, services: Callable[[], Sequence[Service]]) -> None:
        self._name = name.encode()[:LABEL_BYTES].decode(errors="ignore").strip()
        self._services = services
        self._stopping = threading.Event()
        self._problem = ""
        self._failures = 0
        self._registering: Future[None] | None = None
        self._thread = threading.Thread(target=self._run, name="announcing", daemon=True)

    @property
    def problem(self) -> str:
        """What is wrong with the announcements, and how often it was met, in one line; empty when nothing is.

        That the extra is missing is nobody's fault.
        """
        problem, failures = self._problem, self._failures
        return f"{problem} (tried {failures} times)" if problem else ""

    def start(self) -> None:
        """Begin to announce what others can reach. Returns at once."""
        self._thread.start()

    def stop(self) -> None:
        """Take the announcements back. Never raises; also when never started."""
        self._stopping.set()
        registering = self._registering
        if registering is not None:
            registering.cancel()
        if self._thread.is_alive():
            self._thread.join(STOP_S)

    def _run(self) -> None:
        try:
            import zeroconf  # noqa: PLC0415 - an extra: it may not be there
        except ImportError:
            _log.info('not announced to the network: install trimbridge with its extra "discovery" for that')
            return
        while not self._stopping.is_set():
            try:
                services = self._reachable()
                if services:
                    self._announce(services)
                else:
                    self._problem = ""
            except (OSError, zeroconf.Error) as error:
                reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
                self._fail(f"not announced to the network: {reason}")
            self._stopping.wait(LOOK_S)

    def _reachable(self) -> list[Service]:
        return [service for service in self._services() if service.addresses]

    def _is_still(self, services: list[Service]) -> bool:
        """Return whether the same can be reached; also when the system does not tell, for what is announced stands."""
        try:
            now = self._reachable()
        except OSError as error:
            self._fail(f"whether what is announced to the network is right cannot be told: {error.strerror or error}")
            return True
        self._problem = ""
        return now == services

    def _announce(self, services: list[Service]) -> None:
        """Announce services until they can be reached otherwise, or it is stopped."""
        from zeroconf import Zeroconf  # noqa: PLC0415

        wanted = sorted({address for service in services for address in service.addresses})
        # Of an address that is gone by now the library would leave a socket open.
        addresses = [one for one in wanted if one in {str(own.address) for own in interfaces()}]
        if not addresses:
            gone = f"this computer has none of the addresses {', '.join(wanted)} any more"
            self._fail(f"not announced to the network: {gone}")
            return
        zeroconf = Zeroconf(interfaces=addresses)
        try:
            if self._register(zeroconf, services):
                _log.info("announced to the network as %r at %s", self._name, ", ".join(addresses))
                self._problem = ""
                while not self._stopping.wait(LOOK_S) and self._is_still(services):
                    pass
            zeroconf.unregister_all_services()
        finally:
            zeroconf.close()

    def _register(self, zeroconf: "Zeroconf", services: list[Service]) -> bool:
        """Ask whether the names are free, and announce them; False when it is stopped meanwhile.

        All at one time: each takes more than a second (RFC 6762, 8.1 and 8.3), which nobody shall wait for at the end.
        """

        async def register(service: Service) -> None:
            await (await zeroconf.async_register_service(self._info(service), allow_name_change=True))

        async def register_all() -> None:
            await asyncio.gather(*map(register, services))

        assert zeroconf.loop is not None
        registering = self._registering = asyncio.run_coroutine_threadsafe(register_all(), zeroconf.loop)
        if self._stopping.is_set():
            registering.cancel()
        try:
            registering.result()
        except CancelledError:
            return False
        finally:
            self._registering = None
        return True

    def _fail(self, problem: str) -> None:
        if not self._problem:
            self._failures = 0
            _log.warning("%s", problem)
        self._failures += 1
        self._problem = problem

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
