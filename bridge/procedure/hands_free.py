"""What happens without a touch: levels of a bank's tracks in; the step that the tape asks for and finished acts out.

This joins the three that watch: which tone plays, which step wants it, which trimmer moves.
"""

import math
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from bridge.metering.levels import Column
from bridge.procedure.bank import Bank
from bridge.procedure.following import StepFollowed, StepFollower, ToneFitsNoStep
from bridge.procedure.patch import TrackLevels
from bridge.procedure.settling import SHORTEST_S, Settled
from bridge.procedure.steps import Step
from bridge.procedure.tapes import NO_TAPES, Tapes
from bridge.procedure.tones import LEAST_SHARE, NEAR, Tone, ToneEnded, ToneStarted, ToneWatch
from bridge.procedure.trim_watch import Event, TrimWatch
from bridge.procedure.visit import FAINT_DB, on_tone
from bridge.readings import State
from bridge.tape.machine import RECORD_SIDE
from bridge.units import signed

FAINT_UPDATES: Final = 200
"""What is too faint is told of when it has stood for so long: hum between two tones does not matter."""

SWITCHED: Final = "all tracks jumped at once: another path? Choose its step; what is right here is not logged by itself"


class HandsFree:
    """Watches one bank.

    Parameters
    ----------
    steps : sequence of Step
        One or more.
    index : int
        The step under way, 0…
    tones_hz : iterable of float
        The tones of the tape as heard, beside those of the steps.
    bank : Bank
    tapes : Tapes
        The calibration tapes, to tell when one runs at a wrong speed.
    """

    def __init__(
        self, steps: Sequence[Step], index: int, tones_hz: Iterable[float], bank: Bank, tapes: Tapes = NO_TAPES
    ) -> None:
        self._steps = tuple(steps)
        self._plan_hz = (*(step.tone_hz for step in steps), *tones_hz)
        self._tones_hz = np.array([step.tone_hz for step in steps])
        self._targets_vu = np.array([step.target_vu for step in steps])
        self._follower = StepFollower(steps, index, tapes)
        self._playing = False
        self._faint = (0, "")
        self._steady: list[Settled | None] = []
        self._switched = False
        self.patch(bank)

    def patch(self, bank: Bank) -> None:
        """Watch another bank."""
        tracks = len(bank.tracks)
        self._absent: Column = np.full(tracks, np.nan)
        self._tones = ToneWatch(self._plan_hz, tracks)
        self._trims = TrimWatch(tracks)
        self._reason = ""
        self.begin()

    def choose(self, index: int) -> None:
        """Go to a step (0…) because the person says so."""
        self._follower.choose(index)
        self._reason = ""

    def hold(self, on: bool) -> None:
        """Stop following the tape, or go on."""
        self._follower.hold(on)

    def let_follow(self, on: bool) -> None:
        """Stay at the step whatever plays, or follow the tape, beginning with the tone that plays now."""
        self._follower.let_follow(on)

    @property
    def index(self) -> int:
        """The step under way, from 0."""
        return self._follower.index

    @property
    def tone(self) -> Tone | None:
        """The tone that stands now."""
        return self._tones.tone

    @property
    def notice(self) -> str:
        """What a person should know of the tone, one line; empty when there is nothing to say."""
        tone, step = self._tones.tone, self._steps[self.index]
        if self._switched and tone is not None and on_tone(step, tone.hz):
            return SWITCHED
        if tone is None and self._faint[0] >= FAINT_UPDATES:
            return self._faint[1]
        if self._reason or tone is None or on_tone(step, tone.hz):
            return self._reason
        if not self._follower.follows and (index := self._follower.step_of(tone)) is not None:
            return f"{tone.hz:.0f} Hz plays: step {index + 1}, {self._steps[index].adjustment}; following is off"
        return f"{tone.hz:.0f} Hz plays, but step {self.index + 1} wants {step.tone_hz:g} Hz"

    @property
    def states(self) -> tuple[State, ...]:
        """The state of each track."""
        return self._trims.states

    @property
    def is_switched(self) -> bool:
        """Whether a switch was thrown in this step, so that the levels may be those of another path."""
        return self._switched

    @property
    def focus(self) -> int | None:
        """Place (0…) of the track whose trimmer moved last; None before."""
        return self._trims.focus

    def follow(self, position_s: float, tracks: TrackLevels) -> bool:
        """Take the next levels; return whether the tape has led to another step."""
        led = False
        faint_vu = self._faint_vu(tracks.tone_hz)
        # What is too faint has no tone, and a track on which nothing is loud enough for one has no say.
        share = np.where(tracks.tone_vu < faint_vu, 0.0, tracks.tone_share)
        rms_dbfs = np.where(tracks.rms_vu < faint_vu, -np.inf, tracks.rms_dbfs)
        for event in self._tones.push(position_s, tracks.tone_hz, tracks.tone_vu, share, rms_dbfs):
            match event:
                case ToneStarted(tone):
                    led |= self._take(tone)
                case ToneEnded():
                    self._reason = ""
        if self._follower.is_behind and self._tones.tone is not None:
            led |= self._take(self._tones.tone)
        return led

    def _faint_vu(self, tone_hz: float) -> float:
        """Return below which level nothing is a tone of this frequency; while recording, anything may be one."""
        if self._steps[self.index].adjustment in RECORD_SIDE:
            return -math.inf
        meant = np.abs(self._tones_hz - tone_hz) <= NEAR * self._tones_hz
        return float(np.min(self._targets_vu[meant] if meant.any() else self._targets_vu)) - FAINT_DB

    def _note_faint(self, tracks: TrackLevels) -> None:
        """Take note of what has the frequency of a step and is too faint for it, on every track."""
        pure = (tracks.tone_share >= LEAST_SHARE) & np.isfinite(tracks.tone_vu)
        is_meant = (np.abs(self._tones_hz - tracks.tone_hz) <= NEAR * self._tones_hz).any()
        if self._playing or not is_meant or not pure.any():
            self._faint = (0, "")
            return
        loudest_vu = float(tracks.tone_vu[pure].max())
        heard = f"{tracks.tone_hz:.0f} Hz at {signed(loudest_vu, 1.0)} VU"
        self._faint = (self._faint[0] + 1, f"{heard} is too faint for a tone: is it hum, or a level set too low?")

    def _take(self, tone: Tone) -> bool:
        following = self._follower.follow(tone)
        self._reason = following.reason if isinstance(following, ToneFitsNoStep) else ""
        return isinstance(following, StepFollowed)

    def watch(self, position_s: float, step: Step, tracks: TrackLevels) -> tuple[Event, ...]:
        """Look for movement against the target of the step; another tone than the step's counts as none."""
        deviation_db = self._absent
        if on_tone(step, tracks.tone_hz):
            deviation_db = tracks.tone_vu - step.target_vu
            if step.adjustment not in RECORD_SIDE:
                # There a trimmer may stand at its end, and what is heard is what the person plays.
                deviation_db = np.where(deviation_db >= -FAINT_DB, deviation_db, np.nan)
        playing = bool(np.isfinite(deviation_db).any())
        if self._playing and not playing:
            self.keep_steady()
        self._playing = playing
        self._note_faint(tracks)
        return self._trims.push(position_s, deviation_db, tracks.clipped)

    def switched(self, before: Sequence[Settled | None]) -> None:
        """Take note that a switch was thrown: only what was steady before it says something of this step."""
        if not self._switched:
            self._keep(before)
        self._switched = True

    def close(self, *, cut_short: bool = False) -> tuple[Event, ...]:
        """Return what was still being watched, and begin anew; ``cut_short`` as of `TrimWatch.restart`."""
        self.keep_steady()
        return self._trims.restart(cut_short=cut_short)

    def close_left(self) -> tuple[Event, ...]:
        """Return what the hands have left, and go on watching: what is in hand stays open."""
        return self._trims.close_left()

    def begin(self) -> None:
        """Begin a step in which nothing has been seen."""
        self._switched = False
        self._steady = [None] * self._absent.size
        self._playing = False

    def steady(self) -> tuple[Settled | None, ...]:
        """Return the level of each track over its steady time in this step, up to the last call of `keep_steady`."""
        return tuple(self._steady)

    def keep_steady(self) -> None:
        """Keep what is known of each track: the watch forgets it when the tone ends."""
        if not self._switched:
            self._keep([self._trims.verify(place) for place in range(len(self._steady))])

    def _keep(self, levels: Sequence[Settled | None]) -> None:
        for place, (before, level) in enumerate(zip(self._steady, levels, strict=True)):
            if level is not None and (before is None or level.seconds >= SHORTEST_S):
                self._steady[place] = level
