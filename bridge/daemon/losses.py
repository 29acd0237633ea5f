"""What is said of lost samples: what a source lost and how long the program stood still go in; warnings come out."""

import logging
import math
import time
from typing import Final, Protocol

from bridge.source.block import Losses
from bridge.wire.episodes import Episode

OVERRUN_EVENT_S: Final = 10.0
"""Overruns that follow one another are one event in so long: a computer that cannot keep up has a hundred a second."""

STOOD_STILL_S: Final = 1.0
"""What is lost so soon after a standstill is lost by it: the driver may be late in telling."""

_log = logging.getLogger(__name__)


class LogsEvents(Protocol):
    """Puts an event into the log."""

    def __call__(self, kind: str, message: str, **details: object) -> None:
        """Log an event of a kind, with a message for people and details."""


class LossTeller:
    """Tells of what was lost, each kind once an episode.

    Parameters
    ----------
    event : LogsEvents
        What an event goes to.
    """

    def __init__(self, event: LogsEvents) -> None:
        self._event = event
        self._overrun_event_s = -math.inf
        self._stood_s = 0.0
        self._stood_at_s = -math.inf
        self._clock_stepping = Episode()
        self.source_began()

    def source_began(self) -> None:
        """Take note of a source that begins to count."""
        self._overruns_told = 0
        self._slowness_told = False
        self._clock_steps_told = 0

    def stood_still(self, stood_s: float) -> None:
        """Take note that the program did not run for a while: what was lost meanwhile is no fault of the computer."""
        self._stood_s, self._stood_at_s = stood_s, time.monotonic()
        text = f"the program stood still for {stood_s:.1f} s: it was stopped, the computer slept, or had no time for it"
        _log.warning("%s; what was played meanwhile was not heard", text)
        self._event("standstill", text, stood_s=round(stood_s, 1))

    def tell(self, losses: Losses) -> None:
        """Tell of what is new in what a source has lost."""
        if losses.overruns > self._overruns_told:
            self._tell_overrun(losses)
        if losses.clock_steps > self._clock_steps_told:
            self._tell_clock_step(losses)

    def _tell_clock_step(self, losses: Losses) -> None:
        """Say that times in the log may not follow on each other; lengths of time are counted in samples and do."""
        self._clock_steps_told = losses.clock_steps
        if self._clock_stepping.happened(time.monotonic()):
            _log.warning("the computer's clock was set: times of day in the log before and after do not fit together")
            self._event("clock", "the computer's clock was set", steps=losses.clock_steps)

    def _tell_overrun(self, losses: Losses) -> None:
        now_s = time.monotonic()
        if now_s - self._stood_at_s < STOOD_STILL_S:
            self._overruns_told = losses.overruns
            if self._stood_s:
                text = f"samples were lost: the program stood still for {self._stood_s:.1f} s"
                self._event("overrun", text, overruns=losses.overruns, lost_frames=losses.frames)
                self._stood_s = 0.0
            return
        if now_s - self._overrun_event_s < OVERRUN_EVENT_S:
            return
        self._overrun_event_s = now_s
        if not self._slowness_told:
            self._slowness_told = True
            _log.warning("samples were lost: the computer did not keep up with the audio interface")
        self._event("overrun", "samples were lost", overruns=losses.overruns, lost_frames=losses.frames)
        self._overruns_told = losses.overruns
