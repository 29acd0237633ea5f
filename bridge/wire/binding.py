"""Why nothing can be heard at an address: the system's error in, plain words with what would be right out."""

import errno
from contextlib import suppress

from bridge.wire.interfaces import interfaces

_TAKEN = "another program has the port, or trimbridge runs already"
_LOW = "ports below 1024 are the system's: take one from 1024 to 65535"


def refusal_of(error: OSError) -> str:
    """Return what the system says of an address that cannot be listened at, and what would be right."""
    said = error.strerror or str(error)
    if error.errno == errno.EADDRINUSE:
        return f"{said}: {_TAKEN}"
    if error.errno == errno.EADDRNOTAVAIL:
        return f"{said}: {_own_addresses()}"
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"{said}: {_LOW}"
    return said


def _own_addresses() -> str:
    own: list[str] = []
    with suppress(OSError):
        own = [str(one.address) for one in interfaces() if not one.address.is_link_local]
    return f"this computer has {', '.join(own) or 'no address now'}"
