"""Frames and trims on their way into the page's event loop: from the metering thread, which never waits for it."""

import asyncio
import logging
import threading
from collections.abc import Callable
from typing import Final

from bridge.readings import Frame, Trim
from bridge.wire.addresses import TRIM_LOGGED
from bridge.wire.episodes import Episode
from bridge.wire.frames import FrameEncoder
from bridge.wire.osc import OscError

_log: Final = logging.getLogger(__name__)


class TabletSink:
    """Takes frames in any thread; a frame that the loop has not come to yet is replaced by the next."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._show: Callable[[bytes], None] | None = None
        self._tell: Callable[[bytes], None] | None = None
        self._newest: Frame | None = None
        self._encoder = FrameEncoder()
        self._failing = Episode()

    def connect(
        self, loop: asyncio.AbstractEventLoop, show: Callable[[bytes], None], tell: Callable[[bytes], None]
    ) -> None:
        """Begin to hand on into a running loop: frames to ``show``, trims to ``tell``."""
        with self._lock:
            self._loop, self._show, self._tell = loop, show, tell

    def disconnect(self) -> None:
        """Hand on no more."""
        with self._lock:
            self._loop = None

    def publish(self, frame: Frame, now_s: float) -> None:
        """Take a frame; ``now_s`` is monotonic."""
        with self._lock:
            is_waiting = self._newest is not None
            self._newest = frame
            if not is_waiting and not self._soon(self._hand_on, now_s):
                self._newest = None

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:
        """Tell that a trim is in the log. Call it after the commit, never before."""
        del now_s
        packet = TRIM_LOGGED.encode(
            trim.track, trim.adjustment, trim.as_found_db, trim.as_left_db, trim.spread_db, trim_id
        )
        with self._lock:
            if self._tell is not None:
                self._soon(self._tell, packet)

    def _soon(self, call: Callable[..., None], *arguments: object) -> bool:
        if self._loop is None:
            return False
        self._loop.call_soon_threadsafe(call, *arguments)
        return True

    def _hand_on(self, now_s: float) -> None:
        with self._lock:
            frame, self._newest = self._newest, None
        if frame is None or self._show is None:
            return
        try:
            packet = self._encoder.encode(frame)
        except OscError:
            if self._failing.happened(now_s):
                _log.exception("a frame could not be shown")
            return
        self._show(packet)
