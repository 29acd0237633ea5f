"""The calibration: levels of all inputs and commands in; frames for the sinks and trims for the log out.

It goes through the steps, by itself as the tape plays and as the person says. In each step it keeps what every track
was found and left at; a track that was right and never touched is verified when the step is left.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from bridge.metering.levels import Levels
from bridge.procedure import framing
from bridge.procedure.bank import Bank
from bridge.procedure.commands import (
    Command,
    Confirm,
    Finish,
    Focus,
    GoToStep,
    Hold,
    ListenTo,
    LogNow,
    NextStep,
    Note,
    PlayTone,
    PreviousStep,
    RepeatStep,
    SelectBank,
    TakeBack,
    TurnTrimmer,
    Withdraw,
)
from bridge.procedure.hands_free import HandsFree, on_tone
from bridge.procedure.outcomes import (
    Accepted,
    ConfirmationToLog,
    Declined,
    FinishToLog,
    NoteToLog,
    Outcome,
    StepMoved,
    TakingBackToLog,
    Told,
    TrimToLog,
    WithdrawalToLog,
)
from bridge.procedure.patch import Patch, TrackLevels
from bridge.procedure.preparation import refusal
from bridge.procedure.progress import Missing, Progress
from bridge.procedure.settling import Settled
from bridge.procedure.steps import Step
from bridge.procedure.trim_watch import Event, LevelMoved, TrimCut, TrimFound
from bridge.readings import Frame, Health, State, Trim
from bridge.tape.machine import path_of

CLIP_SHOWN_S: Final = 1.0
"""A clip is over in a millisecond; it is shown for as long as somebody needs to look up."""

NOT_PRACTICE: Final = "this is no simulated recorder: the hand has to turn it"

NO_STEPS: Final = "there are no steps: add [[step]] tables to the config"


@dataclass(frozen=True, slots=True)
class Setup:
    """What a calibration is of: the machine, its steps, its banks, and what makes VU of the interface's levels.

    ``tones_hz`` are the tones of the calibration tape as heard, beside those of the steps.
    """

    machine: str
    steps: tuple[Step, ...]
    banks: tuple[Bank, ...]
    reference_dbfs: float
    offsets_db: Mapping[int, float]
    tones_hz: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Place:
    """Where a calibration stands: number of the step and of the bank, each from 1; step 0 when there are none."""

    step: int
    bank: int


@dataclass(frozen=True, slots=True)
class _Found:
    """The first steady reading of a track in a step."""

    fine_db: float
    position_s: float


class Calibration:
    """One run over the steps.

    Parameters
    ----------
    setup : Setup
    place : Place, optional
        Where to go on; a place that does not exist any more is brought to the nearest one.
    """

    def __init__(self, setup: Setup, place: Place | None = None) -> None:
        self._setup = setup
        self._patches: list[Patch] = []
        self._sample_rate_hz = 1
        self._held = False
        self._chosen_focus = 0
        self._base_s = 0.0
        self._position_s = 0.0
        self._captured_ns = 0
        self._tracks: TrackLevels | None = None
        self._clipped_s: dict[int, float] = {}
        self._found: dict[int, _Found] = {}
        self._by_hand_s: dict[int, float] = {}
        self.progress = Progress()
        self.confirmed: set[str] = set()
        """The preparations that are confirmed, by the log."""
        self.resume(place or Place(1, 1))

    def resume(self, place: Place) -> None:
        """Go to a place; one that does not exist (any more) is brought to the nearest one."""
        steps, banks = self._setup.steps, self._setup.banks
        self._step = min(max(place.step, 1), len(steps)) - 1
        self._bank = min(max(place.bank, 1), len(banks)) - 1
        self._hands_free = HandsFree(steps, self._step, self._setup.tones_hz, self.bank) if steps else None
        self._forget_step()

    def _forget_step(self) -> None:
        self._found.clear()
        self._by_hand_s.clear()

    @property
    def place(self) -> Place:
        """Where the calibration stands."""
        return Place(self._step + 1, self._bank + 1)

    @property
    def step(self) -> Step | None:
        """The step under way, if there is any."""
        return self._setup.steps[self._step] if self._step >= 0 else None

    @property
    def bank(self) -> Bank:
        """The bank that is patched."""
        return self._setup.banks[self._bank]

    @property
    def position_s(self) -> float:
        """Seconds from the start of the source to the last levels."""
        return self._position_s

    @property
    def notice(self) -> str:
        """What a person should know of the tone, one line; empty when there is nothing to say."""
        return self._hands_free.notice if self._hands_free else ""

    def missing(self) -> tuple[Missing, ...]:
        """Return what is not yet in the log."""
        return self.progress.missing(self._setup.steps, self._setup.banks)

    def source_began(self, source_inputs: Sequence[int], sample_rate_hz: int, position_s: float) -> None:
        """Take note of a source that begins to count its samples, so long after the very first start.

        Parameters
        ----------
        source_inputs : sequence of int
            Numbers of the inputs in the columns of the levels.
        sample_rate_hz : int
        position_s : float

        Raises
        ------
        ValueError
            When a bank needs an input that the source does not deliver.
        """
        setup = self._setup
        self._patches = [Patch(bank, source_inputs, setup.reference_dbfs, setup.offsets_db) for bank in setup.banks]
        self._sample_rate_hz = sample_rate_hz
        self.source_lost()
        self._base_s = self._position_s = position_s

    def source_lost(self) -> None:
        """Take note that there are no levels any more."""
        self._tracks = None
        self._clipped_s.clear()

    def update(self, levels: Levels) -> tuple[Outcome, ...]:
        """Take the next levels of all inputs; return what has to be done about them."""
        tracks = self._patches[self._bank].tracks(levels)
        self._tracks = tracks
        self._captured_ns = tracks.captured_ns
        position_s = self._position_s = self._base_s + tracks.end_frame / self._sample_rate_hz
        self._note_clipping(tracks, position_s)
        hands_free, step = self._hands_free, self.step
        if hands_free is None or step is None:
            return ()
        outcomes: list[Outcome] = []
        wanted = hands_free.follow(position_s, tracks)
        if wanted is not None:
            outcomes += self._leave()
            self._step = wanted
            step = self._setup.steps[wanted]
            outcomes.append(StepMoved())
        outcomes += self._outcomes(step, hands_free.watch(position_s, step, tracks))
        self._note_found(step, tracks, position_s)
        return tuple(outcomes)

    def _note_clipping(self, tracks: TrackLevels, position_s: float) -> None:
        if tracks.clipped.any():
            self._clipped_s.update(dict.fromkeys(np.flatnonzero(tracks.clipped).tolist(), position_s))
        elif self._clipped_s:
            recent = {place: at_s for place, at_s in self._clipped_s.items() if position_s - at_s < CLIP_SHOWN_S}
            self._clipped_s = recent

    def _note_found(self, step: Step, tracks: TrackLevels, position_s: float) -> None:
        if len(self._found) < len(self.bank.tracks) and on_tone(step, tracks):
            for place in np.flatnonzero(~np.isnan(tracks.spread_db)).tolist():
                if place not in self._found:
                    self._found[place] = _Found(float(tracks.fine_vu[place]) - step.target_vu, position_s)

    def _outcomes(self, step: Step, events: Iterable[Event]) -> list[Outcome]:
        """Return what has to be done about what was seen in a step."""
        if self._held:
            return []
        outcomes: list[Outcome] = []
        for event in events:
            match event:
                case TrimFound(place, found, left, started_s, ended_s):
                    # What a person has logged by hand while it moved is not logged again.
                    if ended_s <= self._by_hand_s.get(place, -math.inf):
                        continue
                    settled_s = ended_s if math.isnan(event.settled_s) else event.settled_s
                    trim = self._trim(
                        step, place, found.level_db, (left.level_db, left.spread_db), (started_s, settled_s)
                    )
                    outcomes.append(self._to_log(trim, event.way))
                    self._found[place] = _Found(left.level_db, settled_s)
                case TrimCut(place):
                    track = self.bank.tracks[place]
                    outcomes.append(Told(f"track {track} was being turned when the tone ended: not logged"))
                case LevelMoved(_, by_db):
                    outcomes.append(Told(f"all tracks moved by {by_db:+.2f} dB: the playback level, not a trim"))
        return outcomes

    def _leave(self) -> list[Outcome]:
        """Leave the step: what is still open is logged, and what was right and never touched is verified."""
        step, hands_free = self.step, self._hands_free
        if step is None or hands_free is None:
            return []
        untouched = [
            (place, track)
            for place, track in enumerate(self.bank.tracks)
            if not hands_free.touched(place) and not self.progress.has(step, track)
        ]
        verified = [(place, hands_free.verify(place)) for place, _ in untouched]
        outcomes = self._outcomes(step, hands_free.leave())
        if not self._held:
            outcomes += [
                self._verified(step, place, level)
                for place, level in verified
                if level is not None and abs(level.level_db) <= step.tolerance_db
            ]
        self._forget_step()
        return outcomes

    def _verified(self, step: Step, place: int, level: Settled) -> TrimToLog:
        left = (level.level_db, level.spread_db)
        return self._to_log(self._trim(step, place, level.level_db, left, (level.from_s, level.to_s)))

    def _to_log(self, trim: Trim, way: Sequence[tuple[float, float]] = ()) -> TrimToLog:
        self.progress.await_log(trim)
        return TrimToLog(trim, tuple(way))

    def _trim(
        self,
        step: Step,
        place: int,
        found_db: float,
        left: tuple[float, float],
        between_s: tuple[float, float],
        origin: Literal["automatic", "by hand"] = "automatic",
    ) -> Trim:
        (left_db, spread_db), (started_s, settled_s) = left, between_s
        now_s, now_ns = self._position_s, self._captured_ns
        return Trim(
            machine=self._setup.machine,
            track=self.bank.tracks[place],
            path=path_of(step.adjustment),
            adjustment=step.adjustment,
            tone_hz=step.tone_hz,
            speed_ips=step.speed_ips,
            target_vu=step.target_vu,
            as_found_db=found_db,
            as_left_db=left_db,
            spread_db=spread_db,
            tolerance_db=step.tolerance_db,
            started_s=started_s,
            settled_s=settled_s,
            started_ns=now_ns - round((now_s - started_s) * 1e9),
            settled_ns=now_ns - round((now_s - settled_s) * 1e9),
            origin=origin,
        )

    def handle(self, command: Command) -> tuple[Outcome, ...]:  # noqa: PLR0911, PLR0912 - one branch a command
        """Do what a person asks, or say why not.

        Returns
        -------
        tuple of Outcome
            The last one answers the command; those before are what comes of it.
        """
        match command:
            case NextStep():
                return self._go_to(self._step + 2)
            case PreviousStep():
                return self._go_to(self._step)
            case RepeatStep():
                return self._go_to(self._step + 1, again=True)
            case GoToStep(number):
                return self._go_to(number)
            case SelectBank(number):
                return self._select(number)
            case Focus(track):
                return (self._focus(track),)
            case Hold(on):
                return (self._hold(on),)
            case LogNow(track):
                return (self._log_now(track),)
            case Withdraw(trim_id):
                return (WithdrawalToLog(trim_id),)
            case Note(text):
                return (NoteToLog(text),)
            case Confirm(item, who):
                obstacle = refusal(item, self.confirmed)
                return (Declined(obstacle) if obstacle else ConfirmationToLog(item, who),)
            case TakeBack(item, who):
                known = item in self.confirmed
                return (TakingBackToLog(item, who) if known else Declined(f"{item} is not confirmed"),)
            case Finish():
                return (*self._leave(), FinishToLog(self.missing()))
            case TurnTrimmer() | PlayTone() | ListenTo():
                return (Declined(NOT_PRACTICE),)

    def _go_to(self, number: int, *, again: bool = False) -> tuple[Outcome, ...]:
        count = len(self._setup.steps)
        if count == 0:
            return (Declined(NO_STEPS),)
        if not 1 <= number <= count:
            return (Declined(f"there is no step {number}: the steps are 1 to {count}"),)
        if number - 1 == self._step and not again:
            return (Accepted(),)
        left = self._leave()
        self._step = number - 1
        if self._hands_free is not None:
            self._hands_free.choose(self._step)
        return (*left, Accepted(moved=True))

    def _select(self, number: int) -> tuple[Outcome, ...]:
        count = len(self._setup.banks)
        if not 1 <= number <= count:
            there = "there is one bank only" if count == 1 else f"the banks are 1 to {count}"
            return (Declined(f"there is no bank {number}: {there}"),)
        if number - 1 == self._bank:
            return (Accepted(),)
        left = self._leave()
        self._bank = number - 1
        self._tracks = None
        self._chosen_focus = 0
        self._clipped_s.clear()
        if self._hands_free is not None:
            self._hands_free.patch(self.bank)
        return (*left, Accepted(moved=True))

    def _hold(self, on: bool) -> Outcome:
        self._held = on
        if self._hands_free is not None:
            self._hands_free.hold(on)
        return Accepted()

    def _focus(self, track: int) -> Outcome:
        if track != 0 and track not in self.bank.tracks:
            return Declined(self._not_patched(track))
        self._chosen_focus = track
        return Accepted()

    def _not_patched(self, track: int) -> str:
        first, last = self.bank.tracks[0], self.bank.tracks[-1]
        return f"track {track} is not patched: bank {self.bank.number} has tracks {first} to {last}"

    def _log_now(self, track: int) -> Outcome:
        """Log a track as it stands: from the first steady reading in this step to now."""
        step, tracks = self.step, self._tracks
        if step is None:
            return Declined(NO_STEPS)
        if track not in self.bank.tracks:
            return Declined(self._not_patched(track))
        place = self.bank.tracks.index(track)
        if tracks is None or math.isnan(tracks.tone_vu[place]):
            return Declined(f"track {track} carries no tone")
        if not on_tone(step, tracks):
            return Declined(f"the tone is {tracks.tone_hz:.0f} Hz, but this step wants {step.tone_hz:g} Hz")
        if math.isnan(tracks.spread_db[place]) or place not in self._found:
            return Declined(f"track {track} has not been steady for a second yet")
        found = self._found[place]
        left = (float(tracks.fine_vu[place]) - step.target_vu, float(tracks.spread_db[place]))
        trim = self._trim(step, place, found.fine_db, left, (found.position_s, self._position_s), "by hand")
        # What a next trim of this track finds is what this one leaves.
        self._found[place] = _Found(trim.as_left_db, self._position_s)
        self._by_hand_s[place] = self._position_s
        return self._to_log(trim)

    def frame(self, health: Health, captured_ns: int) -> Frame:
        """Return all that the sinks are told now.

        Parameters
        ----------
        health : Health
        captured_ns : int
            Unix time in nanoseconds at which the last sample was captured; without a source, the time now.
        """
        step, tracks = self.step, self._tracks
        target_vu = step.target_vu if step else 0.0
        if tracks is None:
            readings = framing.silent_readings(self.bank, target_vu, self._setup.reference_dbfs)
        else:
            readings = framing.readings(self.bank, tracks, target_vu, self._states(tracks), self._clipped_s)
        return Frame(
            position_s=self._position_s,
            captured_ns=captured_ns,
            tone_hz=tracks.tone_hz if tracks else 0.0,
            step=framing.step_reading(self._setup.steps, self._step),
            bank=self.bank.number,
            held=self._held,
            focus_track=self._focus_track(),
            readings=readings,
            health=health,
            tone_s=tracks.tone_s if tracks else 0.0,
        )

    def _focus_track(self) -> int:
        if self._chosen_focus:
            return self._chosen_focus
        moving = self._hands_free.focus if self._hands_free else None
        return 0 if moving is None else self.bank.tracks[moving]

    def _states(self, tracks: TrackLevels) -> Sequence[State]:
        # What the procedure watches is the step's tone; any other is no more than a tone.
        plain: list[State] = ["quiet" if quiet else "tone" for quiet in np.isnan(tracks.tone_vu)]
        step = self.step
        if self._hands_free is None or step is None or not on_tone(step, tracks):
            return plain
        watched = self._hands_free.states
        return [seen if "quiet" not in (seen, heard) else heard for seen, heard in zip(watched, plain, strict=True)]
