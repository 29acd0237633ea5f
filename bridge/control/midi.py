"""MIDI as a control: bytes of any input in; commands, wishes to the recorder, and the position of the tape out.

Bytes come from one thread, frames from the metering thread. Nothing here waits, and nothing that arrives raises.
"""

import logging
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Final

from bridge.config.midi_settings import MidiSettings
from bridge.control.inbox import CommandInbox, Request
from bridge.control.midi_bindings import Bindings, Impossible, Situation, TapeWish
from bridge.control.midi_echo import EchoWatch
from bridge.procedure.commands import Command, TurnTrimmer
from bridge.readings import Frame, Trim
from bridge.wire.episodes import Episode
from bridge.wire.midi_child import same_part
from bridge.wire.midi_messages import MessageReader
from bridge.wire.midi_time_code import TimeCode, TimeCodeFollower

BURST: Final = 64
COMMANDS_PER_S: Final = 16
"""Commands of one input: as many as the tracks of the largest machine at once, for an encoder that is spun, and then no
more than two busy hands make. A port that makes more is a fault or a loop."""

TURN_COST: Final = 1 / 8
"""A turn of a practice trimmer counts as this part of a command: an encoder that is spun makes a hundred clicks a
second, and the log is not touched by them."""

QUIET_S: Final = 1.0
"""A port that made too many commands is heard again when it was quiet for so long."""

SHOWN_S: Final = 6.0
"""How long it is shown why something was not done: whoever has pressed a pedal needs to look up."""

TIME_CODE_STATUS: Final = (0xF1, 0xF0)

PORTS_KEPT: Final = 64
"""Inputs whose allowance is remembered after they have gone: one that comes back is not forgiven a flood. More than a
computer has; the oldest is forgotten."""

_log = logging.getLogger(__name__)


class _Allowance:
    """How many commands an input may still make now."""

    def __init__(self) -> None:
        self._left = float(BURST)
        self._last_s = float("-inf")
        self._shut = False

    def take(self, now_s: float, cost: float) -> bool:
        passed_s = now_s - self._last_s
        self._last_s = now_s
        self._left = min(self._left + passed_s * COMMANDS_PER_S, float(BURST))
        if self._shut and passed_s < QUIET_S:
            return False
        self._shut = self._left < 1.0
        if not self._shut:
            self._left -= cost
        return not self._shut


class MidiControl:
    """Takes commands from MIDI inputs.

    Parameters
    ----------
    settings : MidiSettings
    banks : int
        How many banks there are.
    inbox : CommandInbox
    echoes : EchoWatch
        Knows what was sent.
    transport : callable
        Does what is wanted of the recorder; returns why not, or None. Does not wait.
    """

    def __init__(
        self,
        settings: MidiSettings,
        banks: int,
        inbox: CommandInbox,
        echoes: EchoWatch,
        transport: Callable[[TapeWish, float], str | None],
    ) -> None:
        self._bindings = Bindings(settings.bind)
        self._time_code = settings.time_code
        self._inbox = inbox
        self._echoes = echoes
        self._transport = transport
        self._situation = Situation(banks=banks)
        self._readers: dict[str, MessageReader] = {}
        self._allowances: dict[str, _Allowance] = {}
        self._follower = TimeCodeFollower()
        self._lock = threading.Lock()
        self._refusing = Episode()
        self._flooded = Episode()
        self._faulty_time_code = Episode()
        self._jumped = Episode()
        self._refused = (float("-inf"), "")
        self._refused_commands = 0
        self._refused_bytes = 0  # of inputs that are gone

    @property
    def refused(self) -> int:
        """Commands that were not done, bytes that were no message, and times that do not exist."""
        refused_bytes = sum(reader.refused_bytes for reader in list(self._readers.values()))
        return self._refused_commands + self._refused_bytes + refused_bytes + self._follower.refused

    @property
    def lost(self) -> int:
        """How often quarter frames of the time code were missing."""
        return self._follower.losses

    def tape_time(self, now_s: float) -> tuple[TimeCode, bool] | None:
        """Return the tape's position and whether it runs forwards; None when no time code was heard."""
        with self._lock:
            time = self._follower.time_code(now_s)
            return None if time is None else (time, self._follower.forwards(now_s))

    def publish(self, frame: Frame, now_s: float) -> None:  # noqa: ARG002 - what is shown is not timed
        """Take note of a frame: commands refer to it."""
        self._situation = replace(self._situation, frame=frame)

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:  # noqa: ARG002 - only the newest counts
        """Take note of the newest trim: it is what can be withdrawn."""
        self._situation = replace(self._situation, trim_id=trim_id)

    def closed(self, port: str) -> None:
        """Take note that an input is gone; from the thread that receives."""
        self._bindings.closed(port)
        # What comes back may be another box: what it had chosen, or left unfinished, is not known.
        reader = self._readers.pop(port, None)
        if reader is not None:
            self._refused_bytes += reader.refused_bytes

    def receive(self, port: str, data: bytes, at_s: float) -> None:
        """Take bytes that came at an input; ``at_s`` is monotonic."""
        reader = self._readers.setdefault(port, MessageReader())
        for message in reader.whole(data):
            if self._follow(port, message, at_s) or self._echoes.echo(message, at_s) is not None:
                continue
            for named in reader.named(message):
                for wish in self._bindings.wishes(port, named, self._situation, at_s):
                    self._take(port, wish, at_s)

    def _follow(self, port: str, message: bytes, at_s: float) -> bool:
        if message[0] not in TIME_CODE_STATUS or not self._time_code or not same_part(self._time_code, port):
            return False
        follower = self._follower
        faults, jumps = follower.losses + follower.refused, follower.jumps
        with self._lock:
            is_time_code = follower.receive(message, at_s)
        if follower.losses + follower.refused > faults and self._faulty_time_code.happened(at_s):
            _log.warning("MIDI input %s: parts of its time code are missing or wrong", port)
        if follower.jumps > jumps and self._jumped.happened(at_s):
            _log.info("MIDI input %s: its time code jumps to %s", port, follower.time_code(at_s))
        return is_time_code

    def _take(self, port: str, wish: Command | TapeWish | Impossible, at_s: float) -> None:
        cost = TURN_COST if isinstance(wish, TurnTrimmer) else 1.0
        if not self._allowance(port).take(at_s, cost):
            self._refused_commands += 1
            if self._flooded.happened(at_s):
                _log.error("MIDI input %s makes more commands than hands can: it is not heard until it is quiet", port)
        elif isinstance(wish, Impossible):
            self._refuse(port, wish.reason, at_s)
        elif isinstance(wish, TapeWish):
            self._refuse(port, self._transport(wish, at_s), at_s)
        # Whoever does it says why not, and shows it: MIDI has no way to answer.
        elif not self._inbox.put(Request(wish, f"midi {port}", lambda _reason: None)):
            self._refuse(port, "too many commands are waiting", at_s)

    def _allowance(self, port: str) -> _Allowance:
        allowance = self._allowances.pop(port, None) or _Allowance()
        self._allowances[port] = allowance
        if len(self._allowances) > PORTS_KEPT:
            del self._allowances[next(iter(self._allowances))]
        return allowance

    def _refuse(self, port: str, reason: str | None, at_s: float) -> None:
        """Take note of what could not even be asked. The same reason is said once an episode."""
        if reason is None:
            return
        self._refused_commands += 1
        if self._refusing.happened(at_s) or reason != self._refused[1]:
            _log.warning("MIDI input %s: %s", port, reason)
        self._refused = (at_s, reason)

    def notice(self, now_s: float) -> str:
        """Return why the newest command was not done, for as long as somebody needs to look up; empty otherwise."""
        at_s, reason = self._refused
        return f"not done: {reason}" if now_s - at_s < SHOWN_S else ""
