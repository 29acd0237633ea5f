"""Where the page is served: an address in; a socket that has it, and for https what encrypts it, out.

Apart from the server, whose network takes a third of a second to import: `check` looks at the same without it.
"""

import ipaddress
import socket
import ssl
import sys
import time
from pathlib import Path
from typing import Final, cast

from bridge.sinks.tablet.faults import PageError
from bridge.wire.binding import refusal_of

_NO_CHECK_TIME: Final = 0x200000
"""X509_V_FLAG_NO_CHECK_TIME of OpenSSL 1.1.0 and newer, which Python has no name for (from memory)."""


def listening(listen: str, port: int) -> socket.socket:
    """Return a socket that is bound to an address and not yet listening.

    Raises
    ------
    PageError
        When the address is not of this computer or the port is taken.
    """
    address = ipaddress.ip_address(listen)
    family = socket.AF_INET if address.version == 4 else socket.AF_INET6
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":
            # Not to wait for connections of the run before; on Windows it would let two programs have one port.
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0 if listen == "::" else 1)
        made.bind((listen, port))
    except OSError as error:
        made.close()
        reason = f"{refusal_of(error)}; see [page] listen and port"
        raise PageError(f"cannot serve the page at {listen} port {port}: {reason}") from None
    return made


def encryption(certificate: Path, key: Path | None) -> ssl.SSLContext:
    """Return what serves https with a certificate chain in PEM, and its key where that is in a file of its own.

    Raises
    ------
    PageError
        When they cannot be read, or do not belong together.
    """
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    for file in filter(None, (certificate, key)):
        try:
            file.open("rb").close()
        except OSError as error:
            raise PageError(f"{file} cannot be used for https: {error.strerror or error}") from None
    try:
        # A question for a passphrase would wait for ever in the background: an empty one fails at once.
        context.load_cert_chain(certificate, key, password="")
    except (OSError, ValueError) as error:
        raise PageError(f"the certificate {certificate} cannot be used for https: {error}") from None
    return context


def validity_s(certificate: Path, served: ssl.SSLContext) -> tuple[float, float]:
    """Return from when and until when a certificate is good, in Unix time.

    Parameters
    ----------
    certificate : Path
    served : SSLContext
        Of `encryption`. It is shown to a client in memory: Python tells the dates of a certificate only after a
        handshake that trusts it.

    Raises
    ------
    PageError
        When no client could take it, whatever the time.
    """
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.check_hostname = False
    client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN | ssl.VerifyFlags(_NO_CHECK_TIME)
    try:
        client.load_verify_locations(certificate)
        here, there = (ssl.MemoryBIO(), ssl.MemoryBIO()), (ssl.MemoryBIO(), ssl.MemoryBIO())
        asking = client.wrap_bio(*here)
        answering = served.wrap_bio(*there, server_side=True)
        # TLS 1.3 needs two flights from the client; 1.2, the oldest that is served, three.
        for _ in range(4):
            _step(asking)
            there[0].write(here[1].read())
            _step(answering)
            here[0].write(there[1].read())
        shown = asking.getpeercert() or {}
        begin_s, end_s = (ssl.cert_time_to_seconds(cast(str, shown[name])) for name in ("notBefore", "notAfter"))
    except (OSError, ValueError, KeyError) as error:
        raise PageError(f"the certificate {certificate} cannot be used for https: {error}") from None
    return begin_s, end_s


def untimely(certificate: Path, served: ssl.SSLContext, now_s: float) -> str:
    """Return why browsers refuse a certificate at a Unix time; empty when they do not for its dates."""
    begin_s, end_s = validity_s(certificate, served)
    if now_s >= end_s:
        return f"the certificate {certificate} has expired on {_day(end_s)}: browsers refuse it"
    if now_s < begin_s:
        return f"the certificate {certificate} is good from {_day(begin_s)} only, if this computer's clock is right"
    return ""


def _day(at_s: float) -> str:
    return time.strftime("%Y-%m-%d", time.gmtime(at_s))


def _step(one: ssl.SSLObject) -> None:
    try:
        one.do_handshake()
    except ssl.SSLWantReadError:
        return
