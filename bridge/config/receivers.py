"""Addresses as people write them: ``host:port`` in, host and port out."""

import re
from typing import Final

_FORM: Final = re.compile(r"(?:\[([0-9A-Fa-f:.]+)\]|([^\s:\[\]]+)):([0-9]{1,5})", re.ASCII)


def receiver(text: str) -> tuple[str, int]:
    """Return host and port (1–65535) of ``host:port``; a numeric IPv6 address stands in brackets.

    Raises
    ------
    ValueError
        When it is not of that form.
    """
    found = _FORM.fullmatch(text.strip())
    if not found or not 1 <= int(found[3]) <= 65_535:
        raise ValueError(f"{text!r} is not host:port with a port from 1 to 65535")
    return found[1] or found[2], int(found[3])
