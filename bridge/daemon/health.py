"""How the daemon is: what goes wrong in; counts, and the one line that matters most now, out."""

from collections.abc import Sequence
from typing import Final, Protocol

from bridge.daemon.notices import Notices
from bridge.procedure.calibration import Calibration
from bridge.procedure.preparation import outstanding
from bridge.readings import Health, MidiState
from bridge.sinks.log import LogWriter
from bridge.source.block import Losses, Source
from bridge.source.device import Device
from bridge.words import BY_HAND, TURNED

DECLINED_S: Final = 6.0
"""How long a command that was not done is said: whoever has pressed a pedal needs to look up."""

RESUMED_S: Final = 60.0
"""How long is said where a calibration goes on, and beside it what was turned and not logged: from the start of the
program to a look at the page."""

FINISHED_S: Final = 8.0
"""How long the end of a calibration is said with nothing beside it; then comes what has to be done after it."""

ALL_ZERO: Final = (
    "every input is exactly zero, not even noise: see what is connected and patched; on macOS, allow the microphone"
)


class Counters(Protocol):
    """Where the counts of refused and lost packets stand."""

    @property
    def refused_packets(self) -> int:
        """Packets that were refused."""
        ...

    @property
    def dropped_packets(self) -> int:
        """Packets that were lost on the way in or out."""
        ...

    @property
    def lost_connections(self) -> int:
        """Connections that ended without a good-bye, or were cut off."""
        ...


class MidiHealth(Protocol):
    """How MIDI does."""

    @property
    def state(self) -> MidiState:
        """Whether the ports are there."""
        ...

    @property
    def losses(self) -> int:
        """How often a port went away."""
        ...

    @property
    def tape_time(self) -> str:
        """Where the tape is by its time code; empty when none is heard."""
        ...

    @property
    def problem(self) -> str:
        """What is wrong now, in one line; empty when nothing is."""
        ...


class NetworkHealth(Protocol):
    """How OSC does, MIDI, the page, or what is announced to the network."""

    @property
    def problem(self) -> str:
        """What is wrong now, in one line; empty when nothing is."""
        ...


class HealthBook:
    """Keeps the counts over all sources of a run, and what is wrong now.

    Parameters
    ----------
    calibration : Calibration
        Whose notices are passed on.
    log : LogWriter or None
    counters : sequence of Counters
        Of each way in and out.
    midi : MidiHealth or None
    networks : sequence of NetworkHealth
        MIDI among them; what is wrong with an earlier one hides what is wrong with those after it.
    asks_preparation : bool
        Whether what is not confirmed of the preparation is said.
    notices : Notices
        What happened just now.
    """

    def __init__(
        self,
        calibration: Calibration,
        *,
        notices: Notices,
        log: LogWriter | None,
        counters: Sequence[Counters],
        midi: MidiHealth | None,
        networks: Sequence[NetworkHealth],
        asks_preparation: bool,
    ) -> None:
        self._calibration = calibration
        self._log = log
        self._counters = tuple(counters)
        self._midi = midi
        self._networks = tuple(networks)
        self._asks_preparation = asks_preparation
        self._source: Source | None = None
        self._losses = 0
        self._before = Losses()  # of the sources of this run that are gone
        self._ended = False
        self._notices = notices
        self._resumed = ""
        self._resumed_until_s = 0.0
        self._declined_commands = 0
        self.problem = ""
        """Why there is no source; empty when there is one."""
        self.farewell = ""
        """That a calibration has ended which lacks something."""

    def source_began(self, source: Source) -> None:
        """Take note of a source that runs."""
        self._source = source
        self.problem = ""

    def source_lost(self, reason: str) -> None:
        """Take note that the source is gone, or still is."""
        if self._source is not None:
            self._before = self.lost
            self._source = None
            self._losses += 1
        self.problem = reason

    def source_ended(self) -> None:
        """Take note that a recording is over."""
        self._ended = True

    def resumed(self, where: str, now_s: float) -> None:
        """Take note that a calibration goes on, and where; ``now_s`` is monotonic."""
        self._resumed, self._resumed_until_s = f"resumed: {where}", now_s + RESUMED_S

    def finished(self, said: str, *, lacks: bool) -> None:
        """Take note that a calibration has ended; what it lacks is said until the next one has something."""
        self._notices.say(said, FINISHED_S, is_alone=True)
        self.farewell = said if lacks else ""

    def declined(self, reason: str) -> None:
        """Take note of a command that was not done."""
        # The log says it, too, with what was asked and by whom: on the page once is enough.
        self._notices.forget(reason)
        self._notices.say(f"not done: {reason}", DECLINED_S)
        self._declined_commands += 1

    @property
    def lost(self) -> Losses:
        """What went wrong with all sources of this run."""
        return self._before + self._source.losses if self._source else self._before

    def now(self, now_s: float) -> Health:
        """Return how the daemon is; ``now_s`` is monotonic."""
        log, midi, lost = self._log, self._midi, self.lost
        return Health(
            source="ended" if self._ended else "running" if self._source else "lost",
            log=log.state if log else "off",
            overruns=lost.overruns,
            lost_frames=lost.frames,
            source_losses=self._losses,
            refused_packets=sum(one.refused_packets for one in self._counters),
            declined_commands=self._declined_commands,
            refused_trims=log.refused_trims if log else 0,
            dropped_packets=sum(one.dropped_packets for one in self._counters),
            lost_connections=sum(one.lost_connections for one in self._counters),
            message=self._message(now_s),
            midi=midi.state if midi else "off",
            midi_losses=midi.losses if midi else 0,
            clock_steps=lost.clock_steps,
        )

    def _message(self, now_s: float) -> str:
        """Return the one line that matters most."""
        log = self._log.problem if self._log else ""
        for problem in filter(None, (self.problem, log)):
            # It is said for as long as it is so, and not a while longer.
            self._notices.forget(problem)
        for words in BY_HAND:
            self._notices.forget(words)
        news, change, tone = self._notices.line(now_s), self._calibration.change, self._calibration.notice
        return (
            self.problem
            or log
            or self._notices.alone(now_s)
            or (change and "; ".join(filter(None, (change, news or self.farewell or tone))))
            # What is so now goes before what was said of a step that has been left.
            or (news and "; ".join(filter(None, (tone, news))))
            or self.farewell
            or tone
            or self._silent()
            or (now_s < self._resumed_until_s and "; ".join(filter(None, (self._resumed, self._unlogged()))))
            or self._standing()
        )

    def _standing(self) -> str:
        """Return what may stand for hours, side by side, so that it hides nothing.

        A dead pedal or a screen that may command again is said nowhere else; what was not logged and not confirmed
        stands in views of its own, too, and its list may be long. A page that has lost its network says so itself.
        """
        network = next((one.problem for one in self._networks if one.problem), "")
        return "; ".join(filter(None, (network, self._unlogged() or self._unprepared())))

    def _unlogged(self) -> str:
        unlogged = self._calibration.unlogged
        return f"{TURNED}: {unlogged}" if unlogged else ""

    def _silent(self) -> str:
        return ALL_ZERO if isinstance(self._source, Device) and self._source.all_zero else ""

    def _unprepared(self) -> str:
        if not self._asks_preparation:
            return ""
        waiting = [item.key for item in outstanding(self._calibration.confirmed, "before the first tone")]
        return f"not confirmed yet: {', '.join(waiting)}" if waiting else ""
