"""The network interfaces of this computer: what others can reach it by. Asks the system; opens nothing."""

import ipaddress
from dataclasses import dataclass

import ifaddr

IpAddress = ipaddress.IPv4Address | ipaddress.IPv6Address


@dataclass(frozen=True, slots=True)
class Interface:
    """One address of one network interface: its names, its index (0 when it has none) and the address."""

    names: tuple[str, ...]
    index: int
    address: IpAddress


def interfaces() -> list[Interface]:
    """Return every address of every interface.

    Raises
    ------
    OSError
        When the system does not tell.
    """
    found = []
    try:
        adapters = list(ifaddr.get_adapters())
    except OSError as error:
        raise OSError(error.errno, f"the network interfaces cannot be listed: {error.strerror or error}") from None
    for adapter in adapters:
        for entry in adapter.ips:
            numeric = entry.ip if isinstance(entry.ip, str) else entry.ip[0]
            names = (adapter.nice_name, adapter.name)
            found.append(Interface(names, adapter.index or 0, ipaddress.ip_address(numeric)))
    return found


def reachable(listen: str) -> list[Interface]:
    """Return by which addresses others reach what listens at a numeric address; none when it is of this computer alone.

    Addresses of one link alone (RFC 3927, RFC 4291 2.5.6) are left out: they change, and browsers do not take those of
    IPv6.

    Raises
    ------
    OSError
        When the system does not tell.
    """
    asked = ipaddress.ip_address(listen)
    return [
        one
        for one in interfaces()
        if not (one.address.is_loopback or one.address.is_link_local or asked.is_loopback)
        and (one.address == asked or (asked.is_unspecified and one.address.version <= asked.version))
    ]
