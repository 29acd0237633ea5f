"""Whether OSC can be spoken and the page be served: settings in, findings out.

Everything is had as the daemon has it, and at the same time, so that two parts that want one port are found too.
"""

import ipaddress
import time
from collections.abc import Iterator
from contextlib import ExitStack

from bridge.cli.finding import Finding
from bridge.config.layout import LayoutError, load_layout
from bridge.config.settings import OscSettings, PageSettings, Settings
from bridge.sinks.tablet.faults import PageError
from bridge.sinks.tablet.listening import encryption, listening, untimely
from bridge.wire.multicast import Memberships, chosen_interface
from bridge.wire.tcp import TcpServer
from bridge.wire.udp import UdpEndpoint, UdpError, is_loopback, resolve


def network(settings: Settings) -> Iterator[Finding]:
    """Test OSC and the page."""
    with ExitStack() as held:
        yield from _osc(settings.osc, held)
        yield from _page(settings, held)


def _osc(osc: OscSettings, held: ExitStack) -> Iterator[Finding]:
    if not osc.enabled:
        yield Finding("osc", "note", "OSC is off", "set [osc] enabled = true to send frames")
        return
    endpoint = None
    try:
        endpoint = UdpEndpoint(osc.listen, osc.port)
        held.callback(endpoint.stop)
        yield Finding("osc", "good", f"commands can be heard at {osc.listen} port {osc.port}")
    except UdpError as error:
        yield Finding("osc", "bad", str(error), "mend [osc] listen or port, or end the other program")
    if osc.tcp != "off":
        try:
            held.callback(TcpServer(osc.listen, osc.tcp_port, osc.tcp).stop)
            yield Finding("osc", "good", f"commands can be heard at {osc.listen} TCP port {osc.tcp_port}")
        except UdpError as error:
            yield Finding("osc", "bad", str(error), "mend [osc] listen or tcp_port, or end the other program")
    if not is_loopback(osc.listen) and not osc.pairing_code:
        yield Finding(
            "osc", "note", "the network can reach the port, but there is no pairing_code",
            "set [osc] pairing_code, or commands from other computers are refused",
        )  # fmt: skip
    yield from _receivers(osc)
    if endpoint is not None and osc.groups:
        try:
            groups = Memberships(endpoint, osc.groups, osc.multicast_interface)
            if groups.problem:
                yield Finding("osc", "bad", groups.problem, "connect that network, or mend [osc] groups")
        except UdpError as error:
            yield Finding("osc", "bad", str(error), "mend [osc] groups or multicast_interface")


def _receivers(osc: OscSettings) -> Iterator[Finding]:
    """Test the fixed receivers; that a computer is switched off cannot be seen."""
    for destination in osc.destinations:
        try:
            address = ipaddress.ip_address(resolve(destination)[0].partition("%")[0])
            if address.is_multicast:
                chosen_interface(osc.multicast_interface, address.version)
        except UdpError as error:
            advice = "mend it in [osc] destinations or multicast_interface, or switch that computer on"
            yield Finding("osc", "bad", f"{destination}: {error}", advice)


def _page(settings: Settings, held: ExitStack) -> Iterator[Finding]:
    page = settings.page
    if not page.enabled:
        yield Finding("page", "note", "the page is off", "set [page] enabled = true for tablet and phone")
        return
    try:
        made = held.enter_context(listening(page.listen, page.port))
        made.listen()
        yield Finding("page", "good", f"the page can be served at {page.listen} port {page.port}")
    except (PageError, OSError) as error:
        yield Finding("page", "bad", str(error), _of_port(settings))
    yield from _certificate(page)
    for path in page.layouts:
        try:
            load_layout(path)
        except LayoutError as error:
            yield Finding("page", "bad", str(error), "mend that layout, or take it out of [page] layouts")


def _of_port(settings: Settings) -> str:
    osc, page = settings.osc, settings.page
    if osc.enabled and osc.tcp != "off" and osc.tcp_port == page.port:
        return "[osc] tcp_port is the same: give one of them another number"
    return "give [page] port another number, or end the other program"


def _certificate(page: PageSettings) -> Iterator[Finding]:
    if page.certificate is None:
        return
    try:
        untimeliness = untimely(page.certificate, encryption(page.certificate, page.certificate_key), time.time())
    except PageError as error:
        advice = "mend [page] certificate and certificate_key: PEM files that you may read, and that belong together"
        yield Finding("page", "bad", str(error), advice)
        return
    if untimeliness:
        yield Finding("page", "bad", untimeliness, "have it renewed, or take [page] certificate out")
