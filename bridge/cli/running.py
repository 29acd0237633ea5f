"""The daemon in the foreground: the command `run`, and what `demo` shares with it."""

import logging
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from rich.console import Console
from rich.live import Live

from bridge.cli.console import at_terminal
from bridge.cli.failures import FailedError, log_to_terminal
from bridge.cli.live import Lines, LiveView
from bridge.cli.preparing import ask_preparation
from bridge.config.load import load
from bridge.config.settings import Settings
from bridge.daemon.engine import Viewer
from bridge.daemon.service import Service, log_path
from bridge.source.block import Source

REDRAW_S: Final = 0.125

SIGNALS: Final = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGBREAK", "SIGHUP") if hasattr(signal, name)
)


def run_config(path: Path, *, fresh: bool, plain: bool) -> None:
    """Run the daemon that a config describes until it is told to stop."""
    settings = load(path)
    serve(settings, path.read_text(encoding="utf-8"), fresh=fresh, plain=plain)


def serve(
    settings: Settings,
    config_text: str,
    *,
    fresh: bool = False,
    plain: bool = False,
    make_source: Callable[[], Source] | None = None,
    viewers: Sequence[Viewer] = (),
    attend: Callable[[Service], None] = lambda _service: None,
) -> None:
    """Run the daemon in the foreground until a signal or the end of the source.

    Parameters
    ----------
    attend : callable
        Called some times a second, from the main thread.
    """
    in_terminal = sys.stdout.isatty() and not plain
    view = LiveView(f"{settings.machine.name}, {settings.machine.tracks} tracks") if in_terminal else Lines()
    service = Service(settings, config_text, [view, *viewers], make_source=make_source, fresh=fresh)
    log_to_terminal()
    with _stopping_on_signals(service):
        service.start()
        try:
            for line in _greeting(service, settings):
                view.say(line)
            if in_terminal and sys.stdin.isatty() and service.asks_preparation:
                ask_preparation(service, at_terminal())
            if isinstance(view, LiveView):
                _show(view, service, attend)
            else:
                while not service.wait(REDRAW_S):
                    attend(service)
        finally:
            service.stop()
    if service.error is not None:
        raise FailedError(f"metering stopped: {type(service.error).__name__}: {service.error}")
    print("stopped", flush=True)


def _greeting(service: Service, settings: Settings) -> Iterator[str]:
    if service.osc is not None:
        yield f"OSC: commands at {settings.osc.listen} port {service.osc.port}"
    if service.page is not None:
        yield f"page: {service.page.links.local_address}"
    if settings.log.enabled:
        doing = "resumed" if service.resumed else "begun"
        named = f"calibration {service.calibration} {doing}" if service.calibration else "no calibration yet"
        yield f"log: {log_path(settings)}, {named}"
    else:
        yield "log: off"


def _show(view: LiveView, service: Service, attend: Callable[[Service], None]) -> None:
    handler = _ViewHandler(view)
    root = logging.getLogger()
    before = root.handlers[:]
    root.handlers[:] = [handler]
    try:
        with Live(view, console=Console(), auto_refresh=False, vertical_overflow="crop") as live:
            while not service.wait(REDRAW_S):
                attend(service)
                live.refresh()
    finally:
        root.handlers[:] = before


class _ViewHandler(logging.Handler):
    """Log messages into the live view, where lines of their own would tear it."""

    def __init__(self, view: LiveView) -> None:
        super().__init__()
        self._view = view

    def emit(self, record: logging.LogRecord) -> None:
        self._view.say(f"{record.levelname.lower()}: {record.getMessage()}")


@contextmanager
def _stopping_on_signals(service: Service) -> Iterator[None]:
    def ask(_number: int, _frame: object) -> None:
        service.ask_to_stop()

    before = {number: signal.signal(number, ask) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
