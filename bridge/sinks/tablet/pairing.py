"""The links to the page: where it is served in; addresses, with the pairing code as an image, out.

The code stands behind the # of the link: that part is never sent to a server, and the page takes it out of its address
before the browser remembers it.
"""

import io
import ipaddress
from dataclasses import dataclass

import segno

from bridge.wire.interfaces import reachable


@dataclass(frozen=True, slots=True)
class Link:
    """One way to the page: by which network interface, the plain address, and the address with the code."""

    interface: str
    address: str
    pairing_address: str


class PairingLinks:
    """The links to one page.

    Parameters
    ----------
    listen : str
        Numeric address at which it is served.
    port : int
    scheme : str
    code : str
        The pairing code; empty when nobody beyond this computer may command.
    """

    def __init__(self, listen: str, port: int, scheme: str, code: str) -> None:
        self._listen = ipaddress.ip_address(listen)
        self._port = port
        self._scheme = scheme
        self.code = code

    @property
    def local_address(self) -> str:
        """The address for this computer itself."""
        own = "127.0.0.1" if self._listen.is_unspecified else str(self._listen)
        return self._address(own)

    def links(self) -> tuple[Link, ...]:
        """Return the ways from the network, one a network interface; none when it is not served there."""
        found = []
        for interface in reachable(str(self._listen)):
            plain = self._address(str(interface.address))
            found.append(Link(interface.names[0], plain, f"{plain}#code={self.code}" if self.code else plain))
        return tuple(found)

    def document(self) -> dict[str, object]:
        """Return code and links for the page at this computer."""
        return {
            "code": self.code,
            "links": [
                {"interface": link.interface, "address": link.address, "image": f"/links/{number}.svg"}
                for number, link in enumerate(self.links())
            ],
        }

    def image(self, number: int) -> bytes | None:
        """Return the link of this number as a QR code in SVG; None when there is no such link."""
        links = self.links()
        if number >= len(links):
            return None
        out = io.BytesIO()
        # Black on white in either theme, with the quiet zone of ISO/IEC 18004: what cameras expect.
        segno.make(links[number].pairing_address, error="m").save(out, kind="svg", scale=8, border=4, light="white")
        return out.getvalue()

    def terminal_text(self) -> str:
        """Return what a terminal shows: for each interface its address, and the code to be scanned."""
        parts = []
        for link in self.links():
            out = io.StringIO()
            segno.make(link.pairing_address, error="l").terminal(out, compact=True)
            parts.append(f"{link.interface}: {link.address} (pairing code {self.code})\n{out.getvalue()}")
        return "\n".join(parts)

    def _address(self, host: str) -> str:
        return f"{self._scheme}://{f'[{host}]' if ':' in host else host}:{self._port}/"
