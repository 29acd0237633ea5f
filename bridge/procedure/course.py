"""The course of a calibration: levels of the patched tracks and what is asked go in; what has to be done comes out.

It knows step, bank and state. What happens is looked up in `bridge.procedure.table` as an event, and what stands there
is done here.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from bridge.procedure.bank import Bank
from bridge.procedure.hands_free import HandsFree
from bridge.procedure.in_hand import InHand
from bridge.procedure.outcomes import (
    Declined,
    FinishToLog,
    InHandToLog,
    Outcome,
    StepMoved,
    Told,
    TrimToLog,
    TurnedToLog,
)
from bridge.procedure.patch import TrackLevels
from bridge.procedure.progress import Found, Missing, Progress, Turned
from bridge.procedure.setup import Place, Setup
from bridge.procedure.steps import Step, speed_told, step_of
from bridge.procedure.table import TABLE, Duty, Event, State
from bridge.procedure.tones import Tone
from bridge.procedure.trim_watch import Event as Seen
from bridge.procedure.trim_watch import LevelMoved, MoveDropped, MoveStarted, Switched, TrimCut, TrimFound
from bridge.procedure.unverified import Unverified, why_unverified
from bridge.procedure.visit import Moment, Visit, on_tone, turned_of
from bridge.readings import Trim
from bridge.tape.machine import RECORD_SIDE, path_of

LEADS: Final[frozenset[Event]] = frozenset(
    ("tape leads on", "act seen", "act cut", "step asked", "repeat asked", "bank asked", "log asked", "finish asked")
)
"""What makes the place where the calibration stands the one that somebody wants."""

SWITCHED_AFTER_S: Final = 10.0
"""A switch that is thrown within so long after a step was chosen is the one that leads to it: what was read before is
of another path. Later it leads away. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class _Changed:
    """From which step one of another tape or speed was chosen whose tone was not heard since, and while which stood."""

    before: Step
    tone: Tone | None


class Course:
    """Where a calibration stands, and what it does about what happens.

    Parameters
    ----------
    setup : Setup
    progress : Progress
    """

    def __init__(self, setup: Setup, progress: Progress) -> None:
        self._setup = setup
        self._progress = progress
        self.state: State = "automatic"
        """Whether all goes by itself, or nothing happens unasked."""
        self.follows = True
        """Whether the tape may lead to another step while all goes by itself."""
        self.tracks: TrackLevels | None = None
        """The newest levels of the bank; None while there are none."""
        self.now = Moment(0.0, 0)
        """The moment of the newest levels."""
        self.has_begun = False
        """Whether the tape or a person has led anywhere, or a trimmer was turned."""
        self.go_to(Place(1, 1))

    def go_to(self, place: Place) -> None:
        """Stand at a place as if nothing had been seen; one that does not exist is brought to the nearest one."""
        steps, banks = self._setup.steps, self._setup.banks
        self._bank = min(max(place.bank, 1), len(banks)) - 1
        index = min(max(place.step, 1), len(steps)) - 1
        tapes = self._setup.tapes
        self.watch = HandsFree(steps, index, tapes.tones_hz, self.bank, tapes) if steps else None
        """What watches tone and trimmers; None without steps."""
        if self.watch is not None:
            self.watch.hold(self.state == "held")
            self.watch.let_follow(self.follows)
        self.tracks = None
        self._changed: _Changed | None = None
        self._chosen_s = self.now.position_s
        self.visit = self._new_visit()
        self._in_hand = InHand()

    def begin_another(self) -> list[Outcome]:
        """Go to the first step with nothing seen in it: what has to be changed by hand for that is not changed yet."""
        if self.watch is None:
            return []
        outcomes = [*self._choose(self.watch, 0)]
        # What was seen since the finish was asked for was read against the target of the step before.
        self.watch.close()
        self._do("begin", 0)
        self._in_hand = InHand()
        return outcomes

    def _new_visit(self, *, again: bool = False) -> Visit | None:
        step = self.step
        return Visit(self._setup.machine, step, self.bank, self._progress, again=again) if step is not None else None

    @property
    def index(self) -> int:
        """The step under way, 0…; −1 without steps."""
        return self.watch.index if self.watch is not None else -1

    @property
    def place(self) -> Place:
        """Where the calibration stands."""
        return Place(self.index + 1, self._bank + 1)

    @property
    def step(self) -> Step | None:
        """The step under way, if there is any."""
        return self._setup.steps[self.index] if self.watch is not None else None

    @property
    def bank(self) -> Bank:
        """The bank that is patched."""
        return self._setup.banks[self._bank]

    def missing(self) -> tuple[Missing, ...]:
        """Return what is not yet in the log."""
        return self._progress.missing(self._setup.steps, self._setup.tracks)

    @property
    def change(self) -> str:
        """What has to be done by hand before a tone of the step can be heard, one line; empty when nothing has."""
        step, changed = self.step, self._changed
        return self._setup.tapes.change(changed.before, step) if step is not None and changed is not None else ""

    @property
    def notice(self) -> str:
        """What a person should know of the tone, one line; empty when there is nothing to say."""
        watch, changed = self.watch, self._changed
        # What plays on from before a change is said to be wrong by that alone.
        if watch is None or (changed is not None and changed.tone is not None and watch.tone is changed.tone):
            return ""
        return watch.notice or (self.visit.notice if self.visit is not None else "")

    def not_patched(self, track: int) -> str:
        """Say that a track is not in the bank."""
        first, last = self.bank.tracks[0], self.bank.tracks[-1]
        return f"track {track} is not patched: bank {self.bank.number} has tracks {first} to {last}"

    def not_logged(self, trim: Trim) -> Turned | None:
        """Take note of a trim that is not in the log and will not be: what was turned is missing until it is.

        Return what was turned, if anything was.
        """
        self._progress.not_logged(trim)
        self._forget(trim)
        step = step_of(trim, self._setup.steps)
        if step is None or trim.as_left_db == trim.as_found_db:
            return None
        found = Found(trim.target_vu + trim.as_found_db, trim.started_s)
        return turned_of(step, trim.track, found, self._progress, self.now)

    def is_unlogged(self, turned: Turned) -> bool:
        """Say whether what was turned is not logged still."""
        step = step_of(turned, self._setup.steps)
        return step is not None and self._progress.unlogged(step, turned.track) is not None

    def is_in_hand(self, turned: Turned) -> bool:
        """Say whether what was said to be in hand is so still."""
        return self._in_hand.holds(turned)

    def withdrawn(self, trim_id: str) -> None:
        """Take note of a trim that is marked as withdrawn in the log: what stood before it stands again."""
        trim = self._progress.withdrawn(trim_id)
        if trim is not None:
            self._forget(trim)

    def reinstated(self, trim_id: str) -> None:
        """Take note of a withdrawn trim that stands again in the log."""
        trim = self._progress.reinstated(trim_id)
        if trim is not None and self.visit is not None:
            self.visit.remember(trim)

    def _forget(self, trim: Trim) -> None:
        if self.visit is not None:
            self.visit.forget(trim)

    def update(self, tracks: TrackLevels, now: Moment) -> list[Outcome]:
        """Take the next levels of the bank; return what has to be done about them."""
        self.tracks, self.now = tracks, now
        outcomes: list[Outcome] = []
        if self.watch is None or self.visit is None:
            return outcomes
        if self.watch.follow(now.position_s, tracks):
            outcomes += [*self.on("tape leads on"), StepMoved()]
        tone = self.watch.tone
        if self._changed is not None and tone is not None and tone is not self._changed.tone:
            self._changed = None if on_tone(self.visit.step, tone.hz) else self._changed
        for seen in self.watch.watch(now.position_s, self.visit.step, tracks):
            outcomes += self._on_seen(seen)
        if self._in_hand.is_owed:
            outcomes += map(InHandToLog, self._in_hand.to_keep(self.watch.states))
        self.visit.see(tracks, now.position_s)
        return outcomes

    def _on_seen(self, seen: Seen) -> list[Outcome]:
        match seen:
            case MoveStarted(place) if self.visit is not None:
                self._in_hand.begin(place, self.visit.in_hand(seen, self.now))
            case MoveDropped(place):
                return self._let_go(place)
            case TrimFound():
                return self.on("act seen", seen)
            case TrimCut():
                return self.on("act cut", seen)
            case LevelMoved(_, by_db) if self.visit is not None:
                return [Told(self.visit.level_moved(self.now.position_s, by_db))]
            case Switched() if self.watch is not None and self.visit is not None:
                return self._on_switched(seen, self.watch, self.visit)
        return []

    def _on_switched(self, seen: Switched, watch: HandsFree, visit: Visit) -> list[Outcome]:
        """Take note of a switch that was thrown: the one that leads to this step, or one that leads away."""
        if self.now.position_s - self._chosen_s > SWITCHED_AFTER_S:
            watch.switched(seen.before)
            return [Told("all tracks jumped at once, each by its own amount: a switch, not trims")]
        watch.begin()
        visit.begin_reading(self.now.position_s)
        path = path_of(visit.step.adjustment)
        return [Told(f"all tracks jumped at once: taken for the switch to {path}; nothing is logged of it")]

    def _let_go(self, place: int) -> list[Outcome]:
        """End an act of which nothing is left to log."""
        given = self._in_hand.end(place)
        return [] if given is None else [InHandToLog(given, is_over=True)]

    def on(self, event: Event, subject: Seen | int = 0) -> list[Outcome]:
        """Do what the table says; ``subject`` is what was seen, or the number that was asked for."""
        row = TABLE[self.state][event]
        outcomes: list[Outcome] = []
        for duty in row.duties:
            outcomes += self._do(duty, subject)
        self.state = row.then
        self.has_begun |= event in LEADS
        return outcomes

    def _do(self, duty: Duty, subject: Seen | int) -> Sequence[Outcome]:  # noqa: PLR0911, PLR0912 - a branch a duty
        watch, visit = self.watch, self.visit
        if duty == "finish":
            return [FinishToLog(self.missing())]
        if duty == "patch" and isinstance(subject, int):
            self._patch(subject)
        elif duty in ("follow", "stay"):
            self.follows = duty == "follow"
            if watch is not None:
                watch.let_follow(self.follows)
        elif watch is None or visit is None:
            return []
        elif duty in ("close acts", "cut acts"):
            closed = watch.close(cut_short=duty == "cut acts")
            return [outcome for seen in closed for outcome in self._on_seen(seen)]
        elif duty == "close left acts":
            return [outcome for seen in watch.close_left() for outcome in self._on_seen(seen)]
        elif duty == "log act" and isinstance(subject, TrimFound):
            trim = visit.trim(subject, self.now)
            if trim is None:
                return self._let_go(subject.track)
            self._in_hand.end(subject.track)
            return [self._to_log(trim, visit.way(subject, trim))]
        elif duty == "keep act open" and isinstance(subject, TrimFound | TrimCut):
            turned = visit.turned(subject, self.now)
            if turned is None:
                return self._let_go(subject.track)
            self._in_hand.end(subject.track)
            how = "was turned while held" if isinstance(subject, TrimFound) else "was still being turned"
            return [TurnedToLog(turned, f"track {turned.track} {how}: not logged")]
        elif duty == "log by hand" and isinstance(subject, int):
            return [self._log_by_hand(visit, subject)]
        elif duty == "verify":
            return self._verify(visit, watch)
        elif duty == "choose" and isinstance(subject, int):
            return self._choose(watch, subject - 1)
        elif duty in ("begin", "begin anew"):
            watch.begin()
            self.visit = self._new_visit(again=duty == "begin anew")
        elif duty == "pause":
            watch.keep_steady()
        elif duty in ("hold", "release"):
            watch.hold(duty == "hold")
        return []

    def _choose(self, watch: HandsFree, index: int) -> Sequence[Outcome]:
        """Go to a step; say what has to be done by hand where another tape or another speed is wanted.

        As long as that is not done it is to be done for another step of that tape, too. Who comes from the record side
        is asked to make every track safe until a calibration tape is heard, whatever is chosen meanwhile.
        """
        before, step = self._setup.steps[watch.index], self._setup.steps[index]
        self._chosen_s = self.now.position_s
        watch.choose(index)
        if not self._setup.tapes.change(before, step):
            return []
        if self._changed is not None and self._changed.before.adjustment in RECORD_SIDE:
            before = self._changed.before
        else:
            self._changed = _Changed(before, watch.tone)
        wanted = self._setup.tapes.change(before, step)
        return [Told(wanted)] if wanted else []

    def _patch(self, number: int) -> None:
        self._bank = number - 1
        self._chosen_s = self.now.position_s
        self.tracks = None
        if self.watch is not None:
            self.watch.patch(self.bank)

    def _verify(self, visit: Visit, watch: HandsFree) -> list[Outcome]:
        verdicts = visit.verified(watch.steady(), self.now)
        outcomes: list[Outcome] = [self._to_log(verdict) for verdict in verdicts if isinstance(verdict, Trim)]
        why = why_unverified(one for one in verdicts if isinstance(one, Unverified))
        if why:
            step = visit.step
            speed = speed_told(step, self._setup.steps)
            outcomes.append(Told(f"{step.adjustment} at {step.tone_hz:g} Hz{speed} is left: {why}"))
        return outcomes

    def _log_by_hand(self, visit: Visit, track: int) -> Outcome:
        if track not in self.bank.tracks:
            return Declined(self.not_patched(track))
        if self.tracks is None:
            return Declined(f"track {track} carries no tone")
        trim = visit.trim_by_hand(track, self.tracks, self.now)
        if isinstance(trim, str):
            return Declined(trim)
        self._in_hand.logged(self.bank.tracks.index(track), visit.left_by_hand(trim, self.now))
        return self._to_log(trim)

    def _to_log(self, trim: Trim, way: Sequence[tuple[float, float]] = ()) -> TrimToLog:
        self._progress.await_log(trim)
        return TrimToLog(trim, tuple(way))
