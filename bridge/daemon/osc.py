"""OSC as a stage of the daemon: settings in; what receives commands, shows frames and answers questions out."""

from bridge.config.convert import to_banks
from bridge.config.settings import Settings
from bridge.control.inbox import CommandInbox
from bridge.control.pairing import Pairing
from bridge.control.reception import OscReception
from bridge.sinks.osc import OscSink
from bridge.sinks.oscquery import OscQuery
from bridge.wire.destinations import destination
from bridge.wire.discovery import Announcer, Service
from bridge.wire.interfaces import reachable
from bridge.wire.multicast import Memberships, Multicast
from bridge.wire.subscribers import Subscribers
from bridge.wire.tcp import TcpServer
from bridge.wire.tree import Host, Tree
from bridge.wire.udp import UdpEndpoint, UdpError, is_loopback


class Osc:
    """OSC over UDP and, if wanted, TCP; the description of it for the page's server; and the counts of what went wrong.

    Raises
    ------
    UdpError
        When a port is taken, the multicast interface is not of this computer, or a group cannot be heard.
    """

    def __init__(self, settings: Settings, inbox: CommandInbox) -> None:
        osc = settings.osc
        multicast = Multicast(osc.multicast_interface, osc.multicast_ttl)
        destinations = [destination(text, multicast) for text in osc.destinations]
        self._endpoint = UdpEndpoint(osc.listen, osc.port)
        try:
            self._groups = Memberships(self._endpoint, osc.groups, osc.multicast_interface)
            self._tcp = None if osc.tcp == "off" else TcpServer(osc.listen, osc.tcp_port, osc.tcp)
        except UdpError:
            self._endpoint.stop()
            raise
        subscribers = Subscribers()
        self.sink = OscSink(self._endpoint, subscribers, destinations, immediately=osc.immediately)
        self._reception = OscReception(inbox, subscribers, Pairing(osc.pairing_code), self._endpoint.send)
        host = Host(display_name(settings), "" if osc.listen in ("0.0.0.0", "::") else osc.listen, self.port)
        tracks = sorted({track for bank in to_banks(settings) for track in bank.tracks})
        self.queries = OscQuery(Tree(tracks, host), self._reception.receive, self._reception.closed)

    @property
    def port(self) -> int:
        """The UDP port that hears commands."""
        return self._endpoint.address[1]

    @property
    def tcp_port(self) -> int:
        """The TCP port that hears commands; 0 when there is none."""
        return self._tcp.address[1] if self._tcp else 0

    @property
    def refused_packets(self) -> int:
        """Packets that were refused, and connections that could not be understood."""
        return self._reception.refused_packets + (
            self._tcp.cut_offs + self._tcp.refused_connections if self._tcp else 0
        )

    @property
    def dropped_packets(self) -> int:
        """Packets that were lost on the way in or out."""
        datagrams = self._endpoint.dropped_packets + self._endpoint.lost_packets + self.sink.lost_packets
        return datagrams + self.queries.lost_packets + (self._tcp.lost_packets if self._tcp else 0)

    @property
    def lost_connections(self) -> int:
        """Connections of programs that ended without a good-bye."""
        return self.queries.lost_connections + (self._tcp.lost_connections if self._tcp else 0)

    @property
    def problem(self) -> str:
        """What is wrong now, in one line; empty when nothing is."""
        return self._groups.problem or self.sink.problem

    def start(self) -> None:
        """Begin to hear."""
        self._endpoint.start(self._reception.receive)
        self._groups.start()
        if self._tcp is not None:
            self._tcp.start(self._reception.receive, self._reception.closed)

    def stop(self) -> None:
        """Let go of the sockets."""
        self._groups.stop()
        self._endpoint.stop()
        if self._tcp is not None:
            self._tcp.stop()
        self.sink.close()


def display_name(settings: Settings) -> str:
    """Return what other programs show of this one."""
    return f"trimbridge: {settings.machine.name}"


def announcer(settings: Settings, osc: Osc | None, page_port: int | None) -> Announcer | None:
    """Return what tells the network of all that others can reach; None while only this computer is heard.

    Parameters
    ----------
    settings : Settings
    osc : Osc or None
        None when OSC is not spoken.
    page_port : int or None
        None when the page is not served.
    """
    listening = [settings.osc.listen] * (osc is not None) + [settings.page.listen] * (page_port is not None)
    if not settings.osc.announce or all(map(is_loopback, listening)):
        return None
    return Announcer(display_name(settings), lambda: _services(settings, osc, page_port))


def _services(settings: Settings, osc: Osc | None, page_port: int | None) -> list[Service]:
    services = []
    if osc is not None:
        heard_at = [str(one.address) for one in reachable(settings.osc.listen)]
        # Keys of the NIME paper, 5.2.
        properties = {"txtvers": "1", "version": "1.0", "types": "ifsbhdtTFNI"}
        services.append(Service("_osc._udp", osc.port, heard_at, properties))
        if osc.tcp_port:
            properties = properties | ({"version": "1.1", "framing": "slip"} if settings.osc.tcp == "slip" else {})
            services.append(Service("_osc._tcp", osc.tcp_port, heard_at, properties))
    if page_port is not None:
        served_at = [str(one.address) for one in reachable(settings.page.listen)]
        services.append(Service("_http._tcp", page_port, served_at, {"path": "/"}))
        # Programs that ask for the addresses speak plain HTTP alone.
        if osc is not None and settings.page.certificate is None:
            services.append(Service("_oscjson._tcp", page_port, served_at))
    return [service for service in services if service.addresses]
