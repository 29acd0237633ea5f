"""The calibration: levels of all inputs and commands in, frames for the sinks and trims for the log out."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.metering.levels import Levels
from bridge.procedure.bank import Bank
from bridge.procedure.commands import (
    Command,
    Confirm,
    Focus,
    GoToStep,
    Hold,
    LogNow,
    NextStep,
    Note,
    PreviousStep,
    RepeatStep,
    SelectBank,
    TakeBack,
    Withdraw,
)
from bridge.procedure.outcomes import (
    Accepted,
    ConfirmationToLog,
    Declined,
    NoteToLog,
    Outcome,
    TakingBackToLog,
    TrimToLog,
    WithdrawalToLog,
)
from bridge.procedure.patch import Patch, TrackLevels
from bridge.procedure.preparation import refusal
from bridge.procedure.steps import Step
from bridge.readings import Frame, Health, Reading, State, StepReading, Trim
from bridge.tape.machine import path_of
from bridge.units import SILENCE_DB

CLIP_SHOWN_S: Final = 1.0
"""A clip is over in a millisecond; it is shown for as long as somebody needs to look up."""

OFF_TONE: Final = 0.03
"""A tone this far from the step's is another one: speed is off by 1 % at most, the nearest tones by a third octave."""

NO_STEP: Final = StepReading(0, 0, "", 0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Setup:
    """What a calibration is of: the machine, its steps, its banks, and what makes VU of the interface's levels."""

    machine: str
    steps: tuple[Step, ...]
    banks: tuple[Bank, ...]
    reference_dbfs: float
    offsets_db: Mapping[int, float]


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
    captured_ns: int


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
        self._tracks: TrackLevels | None = None
        self._clipped_s: dict[int, float] = {}
        self._found: dict[int, _Found] = {}
        self.confirmed: set[str] = set()
        """The preparations that are confirmed, by the log."""
        self.resume(place or Place(1, 1))

    def resume(self, place: Place) -> None:
        """Go to a place; one that does not exist (any more) is brought to the nearest one."""
        self._step = min(max(place.step, 1), len(self._setup.steps)) - 1
        self._bank = min(max(place.bank, 1), len(self._setup.banks)) - 1
        self._found.clear()

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
        return self._base_s + (self._tracks.end_frame / self._sample_rate_hz if self._tracks else 0.0)

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
        self._base_s = position_s

    def source_lost(self) -> None:
        """Take note that there are no levels any more."""
        self._base_s = self.position_s
        self._tracks = None
        self._clipped_s.clear()

    def update(self, levels: Levels) -> None:
        """Take the next levels of all inputs."""
        tracks = self._patches[self._bank].tracks(levels)
        self._tracks = tracks
        position_s = self.position_s
        if tracks.clipped.any():
            for place in np.flatnonzero(tracks.clipped):
                self._clipped_s[int(place)] = position_s
        step = self.step
        if step is not None and len(self._found) < len(self.bank.tracks) and self._on_tone(step, tracks):
            steady = ~np.isnan(tracks.spread_db)
            for place in np.flatnonzero(steady):
                if int(place) not in self._found:
                    fine_db = float(tracks.fine_vu[place]) - step.target_vu
                    self._found[int(place)] = _Found(fine_db, position_s, tracks.captured_ns)

    @staticmethod
    def _on_tone(step: Step, tracks: TrackLevels) -> bool:
        return abs(tracks.tone_hz - step.tone_hz) <= OFF_TONE * step.tone_hz

    def handle(self, command: Command) -> Outcome:  # noqa: PLR0911, PLR0912 - one branch a command
        """Do what a person asks, or say why not."""
        match command:
            case NextStep():
                return self._go_to(self._step + 2)
            case PreviousStep():
                return self._go_to(self._step)
            case RepeatStep():
                return self._repeat()
            case GoToStep(number):
                return self._go_to(number)
            case SelectBank(number):
                return self._select(number)
            case Focus(track):
                return self._focus(track)
            case Hold(on):
                self._held = on
                return Accepted()
            case LogNow(track):
                return self._log_now(track)
            case Withdraw(trim_id):
                return WithdrawalToLog(trim_id)
            case Note(text):
                return NoteToLog(text)
            case Confirm(item, who):
                obstacle = refusal(item, self.confirmed)
                return Declined(obstacle) if obstacle else ConfirmationToLog(item, who)
            case TakeBack(item, who):
                if item not in self.confirmed:
                    return Declined(f"{item} is not confirmed")
                return TakingBackToLog(item, who)

    def _go_to(self, number: int) -> Outcome:
        count = len(self._setup.steps)
        if count == 0:
            return Declined("there are no steps: add [[step]] tables to the config")
        if not 1 <= number <= count:
            return Declined(f"there is no step {number}: the steps are 1 to {count}")
        if number - 1 == self._step:
            return Accepted()
        self._step = number - 1
        self._found.clear()
        return Accepted(moved=True)

    def _repeat(self) -> Outcome:
        if self.step is None:
            return Declined("there are no steps: add [[step]] tables to the config")
        self._found.clear()
        return Accepted()

    def _select(self, number: int) -> Outcome:
        count = len(self._setup.banks)
        if not 1 <= number <= count:
            there = "there is one bank only" if count == 1 else f"the banks are 1 to {count}"
            return Declined(f"there is no bank {number}: {there}")
        if number - 1 == self._bank:
            return Accepted()
        self._bank = number - 1
        self._tracks = None
        self._chosen_focus = 0
        self._found.clear()
        self._clipped_s.clear()
        return Accepted(moved=True)

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
            return Declined("there are no steps: add [[step]] tables to the config")
        if track not in self.bank.tracks:
            return Declined(self._not_patched(track))
        place = self.bank.tracks.index(track)
        if tracks is None or math.isnan(tracks.tone_vu[place]):
            return Declined(f"track {track} carries no tone")
        if not self._on_tone(step, tracks):
            return Declined(f"the tone is {tracks.tone_hz:.0f} Hz, but this step wants {step.tone_hz:g} Hz")
        if math.isnan(tracks.spread_db[place]) or place not in self._found:
            return Declined(f"track {track} has not been steady for a second yet")
        found = self._found[place]
        as_left_db = float(tracks.fine_vu[place]) - step.target_vu
        # What a next trim of this track finds is what this one leaves.
        self._found[place] = _Found(as_left_db, self.position_s, tracks.captured_ns)
        return TrimToLog(
            Trim(
                machine=self._setup.machine,
                track=track,
                path=path_of(step.adjustment),
                adjustment=step.adjustment,
                tone_hz=step.tone_hz,
                speed_ips=step.speed_ips,
                target_vu=step.target_vu,
                as_found_db=found.fine_db,
                as_left_db=as_left_db,
                spread_db=float(tracks.spread_db[place]),
                tolerance_db=step.tolerance_db,
                started_s=found.position_s,
                settled_s=self.position_s,
                started_ns=found.captured_ns,
                settled_ns=tracks.captured_ns,
                origin="by hand",
            )
        )

    def frame(self, health: Health, captured_ns: int) -> Frame:
        """Return all that the sinks are told now.

        Parameters
        ----------
        health : Health
        captured_ns : int
            Unix time in nanoseconds at which the last sample was captured; without a source, the time now.
        """
        step = self.step
        tracks = self._tracks
        target_vu = step.target_vu if step else 0.0
        return Frame(
            position_s=self.position_s,
            captured_ns=captured_ns,
            tone_hz=tracks.tone_hz if tracks else 0.0,
            step=self._step_reading(),
            bank=self.bank.number,
            held=self._held,
            focus_track=self._chosen_focus,
            readings=self._readings(tracks, target_vu) if tracks else self._no_readings(target_vu),
            health=health,
            tone_s=tracks.tone_s if tracks else 0.0,
        )

    def _step_reading(self) -> StepReading:
        step = self.step
        if step is None:
            return NO_STEP
        return StepReading(
            number=self._step + 1,
            count=len(self._setup.steps),
            adjustment=step.adjustment,
            tone_hz=step.tone_hz,
            speed_ips=step.speed_ips,
            target_vu=step.target_vu,
            tolerance_db=step.tolerance_db,
        )

    def _no_readings(self, target_vu: float) -> tuple[Reading, ...]:
        silent = SILENCE_DB - self._setup.reference_dbfs
        return tuple(
            Reading(track, silent, silent - target_vu, math.nan, math.nan, "quiet", SILENCE_DB, SILENCE_DB)
            for track in self.bank.tracks
        )

    def _readings(self, tracks: TrackLevels, target_vu: float) -> tuple[Reading, ...]:
        states = self._states(tracks)
        columns = zip(
            self.bank.tracks,
            tracks.vu.tolist(),
            (tracks.vu - target_vu).tolist(),
            (tracks.fine_vu - target_vu).tolist(),
            tracks.spread_db.tolist(),
            states,
            tracks.peak_dbfs.tolist(),
            tracks.rms_dbfs.tolist(),
            strict=True,
        )
        return tuple(Reading(*column) for column in columns)

    def _states(self, tracks: TrackLevels) -> list[State]:
        states: list[State] = ["quiet" if quiet else "tone" for quiet in np.isnan(tracks.tone_vu)]
        for place, clipped_s in self._clipped_s.items():
            if self.position_s - clipped_s < CLIP_SHOWN_S:
                states[place] = "clipped"
        return states
