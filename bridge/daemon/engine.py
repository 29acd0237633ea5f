"""What a block leads to: blocks of samples and commands in; frames for the viewers and entries for the log out.

Everything here runs in one thread, so a command falls between two blocks and never into one. Nothing here waits.
"""

import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Protocol

from bridge.control.inbox import CommandInbox, Request
from bridge.daemon.health import Counters, HealthBook, MidiHealth, NetworkHealth
from bridge.daemon.holding import Holding
from bridge.daemon.ledger import Ledger, entry_for
from bridge.daemon.losses import LossTeller
from bridge.daemon.notices import Notices
from bridge.daemon.practice import practise
from bridge.daemon.telling import asked, ended, goes_on
from bridge.log.calibrations import Resumption
from bridge.log.entries import (
    Committed,
    ConfirmationEntry,
    Entry,
    FinishEntry,
    Refused,
    ReinstatementEntry,
    TakingBackEntry,
    TrimEntry,
    WithdrawalEntry,
)
from bridge.metering.levels import Levels
from bridge.metering.meter import Meter
from bridge.procedure.calibration import Calibration
from bridge.procedure.commands import Hold, Practice
from bridge.procedure.outcomes import (
    Accepted,
    Declined,
    FinishToLog,
    InHandToLog,
    Outcome,
    StepMoved,
    Told,
    ToLog,
    TrimToLog,
    TurnedToLog,
)
from bridge.procedure.preparation import outstanding
from bridge.procedure.progress import TRACKS_TOLD, Record
from bridge.procedure.setup import Place, Setup
from bridge.ranges import ranges
from bridge.readings import Frame, Health, Trim
from bridge.sinks.log import LogWriter, Result
from bridge.source.block import Block, Source
from bridge.source.simulated import Simulated
from bridge.wire.episodes import Episode
from bridge.words import TURNED

_log = logging.getLogger(__name__)


class Viewer(Protocol):
    """Who is shown what happens. Both calls return at once and raise nothing."""

    def publish(self, frame: Frame, now_s: float) -> None:
        """Take a frame; ``now_s`` is monotonic."""
        ...

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:
        """Take note of a trim whose commit is on disk."""
        ...


class Engine:
    """Meters, follows the calibration, publishes and logs.

    Parameters
    ----------
    setup : Setup
    frames_per_s : float
        How many frames are published in a second of sound.
    viewers : sequence of Viewer
    inbox : CommandInbox
    log : LogWriter or None
        None when nothing is logged.
    counters : sequence of Counters
        Of each way in and out.
    midi : MidiHealth or None
    networks : sequence of NetworkHealth
    keeps_in_hand : bool
        Whether the log is told what is in hand, so that it is known after a kill. Not where all is done anew then.
    asks_preparation : bool
        Whether what is not confirmed of the preparation is said.
    notices : Notices, optional
        What happened just now, from elsewhere as well.
    say : callable
        Shows a line to whoever watches the terminal: what is in the log and no frame shows. Does not wait.
    """

    def __init__(
        self,
        setup: Setup,
        frames_per_s: float,
        viewers: Sequence[Viewer],
        inbox: CommandInbox,
        *,
        log: LogWriter | None,
        counters: Sequence[Counters] = (),
        midi: MidiHealth | None = None,
        networks: Sequence[NetworkHealth] = (),
        keeps_in_hand: bool = True,
        asks_preparation: bool = False,
        notices: Notices | None = None,
        say: Callable[[str], None] = lambda _line: None,
    ) -> None:
        self.calibration = Calibration(setup)
        self._setup = setup
        self._frames_per_s = frames_per_s
        self._viewers = tuple(viewers)
        self._inbox = inbox
        self._ledger = Ledger(log, self.calibration)
        self._holding = Holding(self._ledger)
        self._keeps_in_hand = keeps_in_hand
        self._asks_preparation = asks_preparation
        self._say = say
        self._meter: Meter | None = None
        self._source: Source | None = None
        self._published = 0
        self._captured_ns = 0
        self._midi = midi
        self._health = HealthBook(
            self.calibration,
            notices=notices or Notices(),
            log=log,
            counters=counters,
            midi=midi,
            networks=networks,
            asks_preparation=asks_preparation,
        )
        self._declining = Episode()
        self._losses = LossTeller(self._ledger.event)
        self._in_log = ""
        self._ending = ""

    def resume(self, resumption: Resumption) -> None:
        """Go on where the log says that the calibration stands."""
        self._in_log = resumption.calibration
        self._tell_tracks()
        self.calibration.resume(Place(resumption.step, resumption.bank))
        self._restore(resumption)
        self._tell_resumed(resumption)

    def _tell_resumed(self, resumption: Resumption) -> None:
        if not resumption.resumed:
            return
        self._health.resumed(goes_on(resumption, self.calibration, self._setup), time.monotonic())
        if unlogged := self.calibration.unlogged:
            self._say(f"calibration {resumption.calibration} resumed; {TURNED}: {unlogged}")

    def _tell_tracks(self) -> None:
        """Let the log know which tracks there are: what is missing cannot be read from what is there."""
        tracks = self._setup.tracks
        self._ledger.event(TRACKS_TOLD, f"tracks {ranges(tracks)}", tracks=list(tracks))

    def _restore(self, resumption: Resumption) -> None:
        self.calibration.restore(
            (Record(one.id, one.trim) for one in resumption.trims),
            (one.item for one in resumption.confirmations),
            (one.id for one in resumption.trims if one.withdrawal is not None),
            resumption.turned,
        )

    def _resume_late(self, resumption: Resumption) -> None:
        """Take up a calibration that the log could not tell of at the start, or the one that follows a finished one."""
        self._in_log = resumption.calibration
        if self._ending:
            self._say(f"{self._ending}; {resumption.calibration} begins, with step {self.calibration.place.step}")
            self._ending = ""
        self._tell_tracks()
        if not resumption.resumed:
            # It holds nothing yet, and who stands at the machine knows best where.
            return
        self._restore(resumption)
        if self.calibration.has_begun:
            self._ledger.place()
        else:
            self.calibration.resume(Place(resumption.step, resumption.bank))
            self._set_up_simulated()
        self._tell_resumed(resumption)

    def source_began(self, source: Source, position_s: float) -> None:
        """Take a source that was just started, so many seconds after the very first.

        Raises
        ------
        ValueError
            When it does not deliver the inputs that the banks are patched to.
        """
        self._source = source
        self._meter = Meter(source.sample_rate_hz, len(source.inputs))
        self.calibration.source_began(source.inputs, source.sample_rate_hz, position_s)
        self._published = 0
        self._losses.source_began()
        self._set_up_simulated()
        if self._health.problem:
            self._ledger.event("source back", source.description)
        self._health.source_began(source)

    def source_lost(self, reason: str) -> None:
        """Take note that the source is gone."""
        if self._source is not None:
            self._source = None
            self._ledger.event("source lost", reason)
            _log.error("source lost: %s", reason)
        self.calibration.source_lost()
        self._health.source_lost(reason)

    def source_ended(self) -> None:
        """Take note that a recording is over."""
        self._health.source_ended()
        for outcome in self.calibration.recording_ended():
            self._carry_out(outcome)

    def stop(self) -> None:
        """Log what was seen and is not logged yet: the daemon ends."""
        for outcome in self.calibration.stop():
            self._carry_out(outcome)
        self._ledger.pay()

    def block(self, block: Block) -> None:
        """Take the next block."""
        assert self._meter is not None
        assert self._source is not None
        for levels in self._meter.push(block):
            self.levels(levels)
        self._losses.tell(self._source.losses)

    def stood_still(self, stood_s: float) -> None:
        """Take note that the program did not run for a while: what was lost meanwhile is no fault of the computer."""
        self._losses.stood_still(stood_s)

    def levels(self, levels: Levels) -> None:
        """Take the levels of one moment."""
        assert self._source is not None
        for outcome in self.calibration.update(levels):
            self._carry_out(outcome)
        period_frames = self._source.sample_rate_hz / self._frames_per_s
        due = int(levels.end_frame / period_frames)
        if due > self._published:
            self._published = due
            self._publish(levels.captured_ns)

    def publish_without_source(self, captured_ns: int) -> None:
        """Publish what is left to say while there is no source."""
        self._publish(captured_ns)

    def attend(self) -> None:
        """Do the commands that have come, and pass on what the log says."""
        for request in self._inbox.take():
            self._do(request)
        self.take(self._ledger.results())
        self._holding.answer()
        self._ledger.pay()

    def take(self, results: Sequence[Result]) -> None:
        """Pass on results of the log: announce what is on disk, answer who asked."""
        now_s = time.monotonic()
        for result in self._ledger.take(results):
            match result:
                case Resumption():
                    self._resume_late(result)
                case Committed(entry, tag, entry_id):
                    self._committed(entry, entry_id, now_s)
                    if isinstance(tag, Request):
                        tag.answer(None)
                case Refused(tag=tag, reason=reason):
                    if isinstance(tag, Request):
                        self._health.declined(reason)
                        tag.answer(reason)

    def _committed(self, entry: Entry, entry_id: str, now_s: float) -> None:
        calibration = self.calibration
        match entry:
            case TrimEntry(trim):
                calibration.logged(Record(entry_id, trim))
                for viewer in self._viewers:
                    viewer.announce(trim, entry_id, now_s)
            case WithdrawalEntry(by=by):
                calibration.withdrawn(entry_id)
                self._say(f"withdrawn {entry_id}, by {by}")
            case ReinstatementEntry(by=by):
                calibration.reinstated(entry_id)
                self._say(f"reinstated {entry_id}, by {by}")
            case ConfirmationEntry(confirmation):
                calibration.confirmed.add(confirmation.item)
            case TakingBackEntry(item):
                calibration.confirmed.discard(item)
            case FinishEntry(then_begin=True):
                told = ended(self._in_log, calibration, self._setup)
                self._ending = told.whole
                self._health.finished(told.short, lacks=not told.is_complete)
                for outcome in calibration.begin_another():
                    self._carry_out(outcome)
                self._ledger.place()
                self._set_up_simulated()

    def _do(self, request: Request) -> None:
        if isinstance(request.command, Practice) and isinstance(self._source, Simulated):
            reason = practise(self._source, request.command)
            if reason is None:
                request.answer(None)
            else:
                self._decline(request, reason)
            return
        was_held = self.calibration.is_held and not self._holding.is_awaited
        *consequences, answer = self.calibration.handle(request.command)
        for outcome in consequences:
            self._carry_out(outcome)
        if isinstance(request.command, Hold) and not request.command.on:
            self._holding.release(self._decline)
        if isinstance(request.command, Hold) and request.command.on and not was_held:
            self._holding.ask(request)
            return
        self._carry_out(answer, request)

    def _carry_out(self, outcome: Outcome, request: Request | None = None) -> None:
        """Do what an outcome asks for; whoever has asked is answered now, or when the log has committed."""
        match outcome:
            case Accepted(moved):
                if moved:
                    self._ledger.place()
                    self._set_up_simulated()
                if request is not None:
                    request.answer(None)
            case Declined(reason):
                if request is not None:
                    self._decline(request, reason)
            case StepMoved():
                self._ledger.place()
            case Told(text):
                _log.warning("%s", text)
                self._ledger.event("told", text)
            case InHandToLog() if not self._keeps_in_hand:
                pass
            case _:
                self._foretell(outcome)
                entry = entry_for(outcome, request.sender if request else "", time.time_ns())
                refusal = self._ledger.submit(entry, request)
                if refusal is not None and request is not None:
                    self._decline(request, refusal)

    def _foretell(self, outcome: ToLog) -> None:
        """Say what goes with an entry that the log is about to be given."""
        match outcome:
            case TrimToLog():
                self._health.farewell = ""
            case TurnedToLog(text=text):
                _log.warning("%s", text)
            case FinishToLog(missing):
                for one in missing:
                    self._ledger.event("missing", f"nothing for {one}", step=one.step, tracks=list(one.tracks))
                if self._asks_preparation:
                    for last in outstanding(self.calibration.confirmed, "after the last tone"):
                        _log.warning("%s %s", last.question, last.why)

    def _decline(self, request: Request, reason: str) -> None:
        """Say why not, also to whoever did not ask for an answer: a pedal has no ears."""
        now_s = time.monotonic()
        if self._declining.happened(now_s):
            _log.warning("not done: %s from %s: %s", asked(request), request.sender, reason)
        self._health.declined(reason)
        request.answer(reason)

    def _set_up_simulated(self) -> None:
        """Do what a person does with the leads when another bank is chosen, and with the tape at another speed."""
        if isinstance(self._source, Simulated):
            bank, step = self.calibration.bank, self.calibration.step
            self._source.patch(zip(bank.tracks, bank.inputs, strict=True))
            if step is not None:
                self._source.thread(step.speed_ips, step.tone_hz, step.target_terms_db.get("tape_level"))

    def health(self) -> Health:
        """Return what went wrong so far, and what is wrong now."""
        return self._health.now(time.monotonic())

    def _publish(self, captured_ns: int) -> None:
        # A source that comes back may have captured its first samples before it was said to be lost for the last time.
        self._captured_ns = max(captured_ns, self._captured_ns + 1)
        frame = self.calibration.frame(self.health(), self._captured_ns)
        if self._holding.is_awaited:
            frame = replace(frame, held=False)
        if isinstance(self._source, Simulated) and self.calibration.step is not None:
            tracks = (reading.track for reading in frame.readings)
            frame = replace(frame, trimmers=self._source.trimmers(self.calibration.step.adjustment, tracks))
        tape_time = self._midi.tape_time if self._midi else ""
        if tape_time:
            frame = replace(frame, tape_time=tape_time)
        now_s = time.monotonic()
        for viewer in self._viewers:
            viewer.publish(frame, now_s)
