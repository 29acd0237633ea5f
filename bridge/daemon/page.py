"""The page as a stage of the daemon: settings in; a server that shows the frames and takes commands."""

import ssl
from pathlib import Path

from bridge.config.layout import LayoutError, load_layout, shipped_layouts
from bridge.config.settings import PageSettings, Settings
from bridge.control.inbox import CommandInbox
from bridge.control.page import PageControl, new_code
from bridge.daemon.paired_file import PairedFile
from bridge.procedure.setup import Setup
from bridge.sinks.oscquery import OscQuery
from bridge.sinks.tablet.faults import PageError
from bridge.sinks.tablet.history import History
from bridge.sinks.tablet.listening import encryption
from bridge.sinks.tablet.routes import Contents, Door
from bridge.sinks.tablet.server import TabletServer
from bridge.sinks.tablet.setup import setup_document
from bridge.sinks.tablet.sink import TabletSink
from bridge.wire.discovery import host_name
from bridge.wire.udp import is_loopback


class Page:
    """The page: what shows the frames, what takes commands, and the counts of what went wrong.

    Parameters
    ----------
    settings : Settings
    setup : Setup
        Whose steps and banks are shown.
    inbox : CommandInbox
        Where commands go.
    log : Path or None
        The log's file, from which all that is not live is read; None when nothing is logged.
    paired : Path, optional
        Where the paired screens are kept; without it they are forgotten at the end.
    queries : OscQuery, optional
        Answers programs that ask for the OSC addresses; the server that shows the page is theirs too.

    Raises
    ------
    PageError
        When the port is taken, or a certificate or layout cannot be used.
    """

    def __init__(
        self,
        settings: Settings,
        setup: Setup,
        inbox: CommandInbox,
        *,
        log: Path | None,
        paired: Path | None = None,
        queries: OscQuery | None = None,
    ) -> None:
        page = settings.page
        code = "" if is_loopback(page.listen) else page.pairing_code or new_code()
        contents = Contents(
            setup_document(settings, setup),
            _layouts(page),
            History(log, setup.machine, setup.steps),
            queries,
        )
        names = (*page.names, host_name()) if settings.osc.announce else page.names
        self._kept = PairedFile(paired, page.pairing_code) if paired is not None and code else None
        self._control = (
            PageControl(inbox, code, self._kept.read(), self._kept.keep) if self._kept else PageControl(inbox, code)
        )
        self._server = TabletServer(Door(page.listen, page.port, names, _tls(page), code), contents, self._control)
        self.links = self._server.links

    @property
    def sink(self) -> TabletSink:
        """The viewer that shows the frames."""
        return self._server.sink

    @property
    def port(self) -> int:
        """The TCP port at which the page is served."""
        return self._server.port

    @property
    def refused_packets(self) -> int:
        """Packets from pages that were refused, and wrong pairing codes."""
        return self._control.refused_packets

    @property
    def dropped_packets(self) -> int:
        """Answers and trims that pages did not take. Frames are not counted: the next one makes them good."""
        return self._server.lost_packets

    @property
    def lost_connections(self) -> int:
        """Screens that went away without a good-bye, or were cut off."""
        return self._server.lost_connections

    @property
    def problem(self) -> str:
        """What is wrong now, in one line; empty when nothing is."""
        return self._kept.problem if self._kept is not None else ""

    def start(self) -> None:
        """Begin to serve."""
        if self._kept is not None:
            self._kept.start()
        self._server.start()

    def stop(self) -> None:
        """Say good-bye to the pages and let go of the port."""
        self._server.stop()
        if self._kept is not None:
            self._kept.close()


def _layouts(page: PageSettings) -> dict[str, dict[str, object]]:
    try:
        layouts = shipped_layouts() | {path.stem: load_layout(path) for path in page.layouts}
    except LayoutError as error:
        raise PageError(f"the page has a layout that cannot be used: {error}") from None
    return {name: layout.model_dump(mode="json") for name, layout in layouts.items()}


def _tls(page: PageSettings) -> ssl.SSLContext | None:
    return None if page.certificate is None else encryption(page.certificate, page.certificate_key)
