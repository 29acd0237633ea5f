"""The metering thread: reads the source, feeds the engine, and opens the source again when it is lost."""

import logging
import threading
import time
from collections.abc import Callable
from typing import Final

from bridge.daemon.engine import Engine
from bridge.daemon.standstill import Standstill
from bridge.source.block import Source
from bridge.source.faults import SourceLostError

READ_S: Final = 0.05
"""How long a block is waited for before commands are looked at: what a person takes for at once."""

LOST_FRAME_S: Final = 0.1
"""How often viewers are told that the source is lost."""

OPENING_S: Final = 0.8
"""How long the first opening may take before viewers are told that there is no source yet."""

BACKOFF_S: Final = (0.2, 0.5, 1.0, 2.0, 5.0)
"""Waits between attempts to open the source; the last one for ever: an interface is found soon after it is back, and
a missing one costs next to nothing."""

_log = logging.getLogger(__name__)


class _Attempt:
    """One attempt to open the source, in a thread of its own: some drivers take seconds to say no."""

    def __init__(self, open_source: Callable[[], Source]) -> None:
        self._open_source = open_source
        self.source: Source | None = None
        self.reason = ""
        self._starting: Source | None = None
        self._abandoned = False
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="opening the source", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        source = None
        try:
            source = self._open_source()
            with self._lock:
                self._starting = source
                if self._abandoned:
                    return
            source.start()
            self.source = source
        except (SourceLostError, ValueError) as error:
            self.reason = str(error)
        except Exception as error:
            _log.exception("the source could not be opened")
            self.reason = f"{type(error).__name__}: {error}"
        finally:
            if source is not None and self.source is None:
                source.stop()

    @property
    def over(self) -> bool:
        return not self._thread.is_alive()

    def abandon(self) -> None:
        """Want it no more: whatever comes of it is stopped, also while it starts."""
        with self._lock:
            self._abandoned = True
            starting = self._starting
        if starting is not None:
            starting.stop()


class Pump:
    """Moves blocks from the source to the engine until it is stopped or the source has ended.

    Parameters
    ----------
    engine : Engine
    open_source : callable
        Makes a source anew, not yet started.
    ended : callable
        Called once from the thread when it ends by itself: with None at the end of a recording, else with the error.
    """

    def __init__(
        self, engine: Engine, open_source: Callable[[], Source], ended: Callable[[BaseException | None], None]
    ) -> None:
        self._engine = engine
        self._open_source = open_source
        self._ended = ended
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="metering", daemon=True)
        self._begun_s = 0.0
        self._tell_s = 0.0

    def start(self) -> None:
        """Begin."""
        self._begun_s = time.monotonic()
        self._tell_s = self._begun_s + OPENING_S
        self._thread.start()

    def stop(self, timeout_s: float = 1.5) -> bool:
        """Stop, and release the source. Return whether the thread has ended in time."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                source = self._opened()
                if source is not None and self._read(source):
                    self._engine.source_ended()
                    self._ended(None)
                    return
            self._engine.stop()
        except BaseException as error:
            self._ended(error)

    def _opened(self) -> Source | None:
        """Open the source, as often as it takes; attend to commands and viewers meanwhile. None when stopped."""
        tries = 0
        while not self._stopping.is_set():
            attempt = _Attempt(self._open_source)
            while not attempt.over:
                if self._idle(READ_S):
                    attempt.abandon()
                    return None
            source = attempt.source
            if source is not None:
                try:
                    self._engine.source_began(source, time.monotonic() - self._begun_s)
                except ValueError as error:
                    source.stop()
                    attempt.reason = str(error)
                else:
                    _log.info("source: %s", source.description)
                    return source
            if tries == 0:
                _log.error("no source: %s", attempt.reason)
            self._engine.source_lost(attempt.reason)
            again_s = time.monotonic() + BACKOFF_S[min(tries, len(BACKOFF_S) - 1)]
            tries += 1
            while time.monotonic() < again_s:
                if self._idle(LOST_FRAME_S):
                    return None
        return None

    def _idle(self, wait_s: float) -> bool:
        """Let time pass without a source, and tell the viewers now and then. Return whether to stop."""
        self._engine.attend()
        now_s = time.monotonic()
        if now_s >= self._tell_s:
            self._tell_s = now_s + LOST_FRAME_S
            self._engine.publish_without_source(time.time_ns())
        return self._stopping.wait(wait_s)

    def _read(self, source: Source) -> bool:
        """Feed the engine until the source is lost or this is stopped. Return whether the source has ended."""
        standstill = Standstill()
        try:
            while not self._stopping.is_set():
                block = source.read(READ_S)
                stood_s = standstill.look()
                if stood_s:
                    self._engine.stood_still(stood_s)
                if block is not None:
                    self._engine.block(block)
                self._engine.attend()
        except SourceLostError as error:
            self._engine.source_lost(str(error))
            # Viewers know at once; releasing a source that hangs may take its time.
            self._engine.publish_without_source(time.time_ns())
        except EOFError:
            return True
        finally:
            source.stop()
        return False
