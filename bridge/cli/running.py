"""The daemon in the foreground: the command `run`, and what `demo` shares with it."""

import logging
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.live import Live

from bridge.cli.console import at_terminal
from bridge.cli.failures import DONE, FAILED, FailedError, log_to_terminal
from bridge.cli.live import Lines, LiveView
from bridge.cli.outlet import CLOSING_S, Outlet
from bridge.cli.preparing import ask_preparation
from bridge.config.load import load
from bridge.config.settings import Settings
from bridge.daemon.setup import log_path, machine_name

if TYPE_CHECKING:
    from bridge.daemon.engine import Viewer
    from bridge.daemon.service import Service
    from bridge.source.block import Source

REDRAW_S: Final = 0.125

STOP_LIMIT_S: Final = 6.0
"""From the wish to stop to the end of the process, whatever hangs. Each stage gives up on what it waits for by itself;
with sound, MIDI, disk, tablet and network hung at once that took 3.9 s. What starts programs at boot waits 10 s or more
before it kills (common practice, no source)."""

SIGNALS: Final = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGBREAK", "SIGHUP") if hasattr(signal, name)
)


def run_config(path: Path, *, fresh: bool, plain: bool, lan: bool = False) -> None:
    """Run the daemon that a config describes until it is told to stop."""
    settings = load(path)
    if lan:
        settings = settings.model_copy(update={"page": settings.page.model_copy(update={"listen": "0.0.0.0"})})
    serve(settings, path.read_text(encoding="utf-8"), fresh=fresh, plain=plain)


def serve(
    settings: Settings,
    config_text: str,
    *,
    fresh: bool = False,
    plain: bool = False,
    make_source: "Callable[[], Source] | None" = None,
    viewers: "Sequence[Viewer]" = (),
    attend: "Callable[[Service], None]" = lambda _service: None,
) -> None:
    """Run the daemon in the foreground until a signal or the end of the source.

    Parameters
    ----------
    attend : callable
        Called some times a second, from the main thread.
    """
    # What is wrong with the config was told before this second of loading.
    from bridge.daemon.service import Service

    out, complaints = Outlet(sys.stdout), Outlet(sys.stderr)
    log_to_terminal(write_line=complaints.say)
    view = (
        LiveView(f"{machine_name(settings)}, {settings.machine.tracks} tracks") if _is_seen(plain) else Lines(out.say)
    )
    service = Service(settings, config_text, [view, *viewers], make_source=make_source, fresh=fresh, say=view.say)
    terminal: threading.Thread | None = None
    try:
        with _stopping_on_signals(service):
            service.start()
            try:
                greeting = list(_greeting(service, settings))
                if isinstance(view, LiveView):
                    arguments = (view, service, greeting)
                    terminal = threading.Thread(target=_at_terminal, args=arguments, name="terminal", daemon=True)
                    terminal.start()
                else:
                    for line in greeting:
                        view.say(line)
                while not service.wait(REDRAW_S):
                    attend(service)
                if terminal is not None:
                    terminal.join(CLOSING_S)
            finally:
                with _ending_in_time(service, complaints):
                    service.stop()
        if service.error is None:
            out.say("stopped")
    finally:
        log_to_terminal()
        free = [out.close(), complaints.close()]
    if (terminal is not None and terminal.is_alive()) or not all(free) or _is_held_up():
        # Somebody has stopped reading or is still asked a question, or a disk does not answer: Python's own end would
        # wait for them for ever.
        os._exit(DONE if service.error is None else FAILED)
    if service.error is not None:
        raise FailedError(f"metering stopped: {type(service.error).__name__}: {service.error}")


@contextmanager
def _ending_in_time(service: "Service", complaints: Outlet) -> Iterator[None]:
    """End the process when a stage does not end: what was announced is on disk, and nothing else is owed to anybody."""

    def give_up() -> None:
        complaints.say(
            f"not everything ended within {STOP_LIMIT_S:g} s: left as it is; what was announced is in the log"
        )
        complaints.close()
        os._exit(DONE if service.error is None else FAILED)

    timer = threading.Timer(STOP_LIMIT_S, give_up)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _is_held_up() -> bool:
    """Return whether a thread is left that Python would wait for."""
    left = [
        thread for thread in threading.enumerate() if thread is not threading.current_thread() and not thread.daemon
    ]
    for thread in left:
        thread.join(CLOSING_S)
    return any(thread.is_alive() for thread in left)


def _is_seen(plain: bool) -> bool:
    return sys.stdout.isatty() and not plain


def _greeting(service: "Service", settings: Settings) -> Iterator[str]:
    if service.osc is not None:
        yield f"OSC: commands at {settings.osc.listen} port {service.osc.port}"
    if service.page is not None:
        yield f"page: {service.page.links.local_address}"
        yield from service.page.links.terminal_text().splitlines()
    if settings.log.enabled:
        doing = "resumed" if service.resumed else "begun"
        named = f"calibration {service.calibration} {doing}" if service.calibration else "no calibration yet"
        yield f"log: {log_path(settings)}, {named}"
    else:
        yield "log: off"


def _at_terminal(view: LiveView, service: "Service", greeting: Sequence[str]) -> None:
    """Say the way in, ask what is to be asked, then show the view until the end.

    In a thread, because a terminal may stand still. The way in stays above the view, where it can be scrolled to.
    """
    # A terminal that is gone sends a signal of its own, which ends the daemon.
    with suppress(OSError):
        print("\n".join(greeting), flush=True)
        if sys.stdin.isatty() and service.asks_preparation:
            # Ctrl-D: no more questions.
            with suppress(EOFError):
                ask_preparation(service, at_terminal())
        _show(view, service)


def _show(view: LiveView, service: "Service") -> None:
    handler = _ViewHandler(view)
    root = logging.getLogger()
    before = root.handlers[:]
    root.handlers[:] = [handler]
    try:
        with Live(view, console=Console(), auto_refresh=False, vertical_overflow="crop") as live:
            while not service.wait(REDRAW_S):
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
def _stopping_on_signals(service: "Service") -> Iterator[None]:
    def ask(_number: int, _frame: object) -> None:
        service.ask_to_stop()

    # Whoever has started this with a signal ignored (nohup) wants it ignored.
    heard = [number for number in SIGNALS if signal.getsignal(number) is not signal.SIG_IGN]
    before = {number: signal.signal(number, ask) for number in heard}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
