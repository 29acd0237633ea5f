"""Who may ask for what: the headers of a request in, a refusal or nothing out. Pure.

A browser is a stranger's program that runs at our user's side: any site that is open in another tab can make it send
requests here. So a request must be for a host that is ours by number or by a listed name (no name of a stranger's can
lead here), and what changes something must come from a page of ours.
"""

import ipaddress
from collections.abc import Collection
from typing import Final
from urllib.parse import urlsplit

COOKIE: Final = "trimbridge"

HEADERS: Final = {
    "Cache-Control": "no-cache",
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
"""Nothing but our own files is loaded, nobody may frame the page, and no address of ours is told to others."""


def host_refusal(host: str, local_address: str, names: Collection[str]) -> str:
    """Return why a request for a host is refused; empty when it is not.

    Parameters
    ----------
    host : str
        The Host header.
    local_address : str
        The numeric address of this computer at which the request arrived.
    names : collection of str
        Names that were listed by the user.
    """
    try:
        name = urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return "the host is not written as it should be"
    if name == "localhost" or name in {listed.lower() for listed in names}:
        return ""
    try:
        asked = ipaddress.ip_address(name)
    except ValueError:
        return f"{name or 'no host'} is not a name of this page: use its numeric address, or list it under [page] names"
    if asked.is_loopback or asked == _unmapped(local_address):
        return ""
    return f"{name} is not the address at which this page is served"


def origin_refusal(origin: str | None, host: str, scheme: str) -> str:
    """Return why a request that changes something is refused; empty when it comes from a page of ours.

    Parameters
    ----------
    origin : str or None
        The Origin header. Browsers send it with every WebSocket and every POST.
    host : str
        The Host header.
    scheme : str
        ``http`` or ``https``: what the request came by.
    """
    if origin is None:
        return "no origin: only the page itself may do this"
    return "" if origin.lower() == f"{scheme}://{host}".lower() else "another site may not do this"


def _unmapped(address: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    parsed = ipaddress.ip_address(address.partition("%")[0])
    return getattr(parsed, "ipv4_mapped", None) or parsed
