"""The running daemon: OSC, page, MIDI, log, metering, started in this order and stopped in reverse."""

import gc
import logging
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import Final

from bridge.config.settings import Settings
from bridge.control.inbox import CommandInbox
from bridge.daemon.engine import Engine, Viewer
from bridge.daemon.midi import Midi
from bridge.daemon.notices import Notices
from bridge.daemon.osc import Osc, announcer
from bridge.daemon.page import Page
from bridge.daemon.pump import Pump
from bridge.daemon.setup import log_path, paired_path, setup_of
from bridge.daemon.sources import open_source
from bridge.log.calibrations import Opening
from bridge.sinks.log import LogWriter
from bridge.source.block import Source

SWITCH_INTERVAL_S: Final = 0.0005
"""How long a busy thread keeps the others waiting: at Python's own 5 ms a flood of packets would delay metering."""

_log = logging.getLogger(__name__)


class Service:
    """All stages of the daemon.

    Parameters
    ----------
    settings : Settings
    config_text : str
        The config as it was read, for the log.
    viewers : sequence of Viewer
        Who is shown the frames beside OSC.
    make_source : callable, optional
        Makes the source; by default what the settings name.
    fresh : bool
        Begin a new calibration also where one could be resumed.
    say : callable
        Shows a line to whoever watches the terminal: what is in the log and no frame shows. Does not wait.
    """

    def __init__(
        self,
        settings: Settings,
        config_text: str,
        viewers: Sequence[Viewer] = (),
        *,
        make_source: Callable[[], Source] | None = None,
        fresh: bool = False,
        say: Callable[[str], None] = lambda _line: None,
    ) -> None:
        self._settings = settings
        self._config_text = config_text
        self._viewers = tuple(viewers)
        self._make_source = make_source or (lambda: open_source(settings))
        self._fresh = fresh
        self._say = say
        self._stages = ExitStack()
        self._over = threading.Event()
        self.error: BaseException | None = None
        self.inbox = CommandInbox()
        self.osc: Osc | None = None
        self.page: Page | None = None
        self.calibration = ""
        self.resumed = False
        self.asks_preparation = settings.preparation.ask and settings.audio.source == "device" and make_source is None
        """Whether what experience demands before the first tone is asked for."""

    def start(self) -> None:
        """Start all stages.

        Raises
        ------
        LogError
            When the log is another program's, or another daemon writes it.
        UdpError
            When the port is taken or a destination is not known.
        """
        sys.setswitchinterval(SWITCH_INTERVAL_S)
        try:
            self._start()
        except BaseException:
            self.stop()
            raise

    def _start(self) -> None:
        settings = self._settings
        setup = setup_of(settings)
        notices = Notices()
        program = logging.getLogger("bridge")
        program.addHandler(notices)
        self._stages.callback(program.removeHandler, notices)
        viewers = list(self._viewers)
        # Whatever can be taken by another program comes first: a start that fails shall leave no calibration behind.
        if settings.osc.enabled:
            self.osc = Osc(settings, self.inbox)
            self._stages.callback(self.osc.stop)
            viewers[:0] = (self.osc.sink, self.osc.queries)
        if settings.page.enabled:
            log_file = log_path(settings) if settings.log.enabled else None
            queries = self.osc.queries if self.osc is not None else None
            self.page = Page(settings, setup, self.inbox, log=log_file, paired=paired_path(settings), queries=queries)
            self._stages.callback(self.page.stop)
            viewers.append(self.page.sink)
        announcing = announcer(settings, self.osc, self.page.port if self.page is not None else None)
        midi = Midi(settings, self.inbox)
        self._stages.callback(midi.stop)
        viewers.append(midi)
        log = resumption = None
        if settings.log.enabled:
            log = LogWriter(log_path(settings))
            opening = Opening(setup.machine, self._config_text, setup.steps, time.time_ns(), fresh=self._fresh)
            resumption = log.start(opening)
        self._engine = Engine(
            setup,
            settings.osc.frames_per_s,
            viewers,
            self.inbox,
            log=log,
            counters=[one for one in (self.osc, self.page, midi) if one is not None],
            midi=midi,
            # Who may command comes first. A receiver that is switched off is common, and hides nothing else.
            networks=[one for one in (self.page, midi, announcing, self.osc) if one is not None],
            asks_preparation=self.asks_preparation,
            notices=notices,
            say=self._say,
        )
        if log is not None:
            # Ended before OSC, page and MIDI: what is committed at the last moment is announced and answered as well.
            self._stages.callback(self._close_log, log)
        if resumption is not None:
            self.calibration, self.resumed = resumption.calibration, resumption.resumed
            if resumption.replaced and not self._fresh:
                _log.warning("%s", resumption.replaced)
            self._engine.resume(resumption)
        if self.osc is not None:
            self.osc.start()
        if self.page is not None:
            self.page.start()
        if announcing is not None:
            self._stages.callback(announcing.stop)
            announcing.start()
        midi.start()
        # What was made until now stays: without it, looking for garbage holds up metering no more (8 to 16 ms before).
        gc.collect()
        gc.freeze()
        pump = Pump(self._engine, self._make_source, self._ended)
        self._stages.callback(pump.stop)
        pump.start()

    @property
    def confirmed(self) -> frozenset[str]:
        """The preparations that are confirmed."""
        return frozenset(self._engine.calibration.confirmed)

    def _close_log(self, log: LogWriter) -> None:
        self._engine.take(log.close())

    def _ended(self, error: BaseException | None) -> None:
        if error is not None:
            self.error = error
            _log.critical("metering stopped: %s: %s", type(error).__name__, error, exc_info=error)
        self._over.set()

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the daemon is to stop: by `ask_to_stop`, at the end of a recording, or after a fault."""
        return self._over.wait(timeout_s)

    def ask_to_stop(self) -> None:
        """Let `wait` return; from any thread or signal handler."""
        self._over.set()

    def stop(self) -> None:
        """Stop all stages, the last started first."""
        self._stages.close()
