"""What happens without a touch: levels of a bank's tracks in; the step that the tape asks for and finished acts out.

This joins the three that watch: which tone plays, which step wants it, which trimmer moves.
"""

from collections.abc import Iterable, Sequence

import numpy as np

from bridge.metering.levels import Column
from bridge.procedure.bank import Bank
from bridge.procedure.following import StepFollowed, StepFollower, ToneFitsNoStep
from bridge.procedure.patch import TrackLevels
from bridge.procedure.settling import Settled
from bridge.procedure.steps import Step
from bridge.procedure.tones import ToneEnded, ToneStarted, ToneWatch
from bridge.procedure.trim_watch import Event, TrimWatch
from bridge.readings import State

OFF_TONE = 0.03
"""A tone this far from the step's is another one: speed is off by 1 % at most, the nearest tones by a third octave."""


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
    """

    def __init__(self, steps: Sequence[Step], index: int, tones_hz: Iterable[float], bank: Bank) -> None:
        self._steps = tuple(steps)
        self._plan_hz = (*(step.tone_hz for step in steps), *tones_hz)
        self._follower = StepFollower(steps, index)
        self._absent: Column = np.full(len(bank.tracks), np.nan)
        self._start(bank)

    def _start(self, bank: Bank) -> None:
        self._absent = np.full(len(bank.tracks), np.nan)
        self._tones = ToneWatch(self._plan_hz, len(bank.tracks))
        self._trims = TrimWatch(len(bank.tracks))
        self.notice = ""
        """What a person should know of the tone; empty when there is nothing to say."""

    def patch(self, bank: Bank) -> None:
        """Watch another bank."""
        self._start(bank)

    def choose(self, index: int) -> None:
        """Go to a step (0…) because the person says so."""
        self._follower.choose(index)
        self.notice = ""

    def hold(self, on: bool) -> None:
        """Stop following the tape, or go on."""
        self._follower.hold(on)

    @property
    def states(self) -> tuple[State, ...]:
        """The state of each track."""
        return self._trims.states

    @property
    def focus(self) -> int | None:
        """Place (0…) of the track whose trimmer moved last; None before."""
        return self._trims.focus

    def touched(self, place: int) -> bool:
        """Return whether the trimmer of a track (0…) has moved in this step."""
        return self._trims.touched[place]

    def follow(self, position_s: float, tracks: TrackLevels) -> int | None:
        """Take the next levels; return the step (0…) to go to, if the tape asks for another one."""
        wanted = None
        for event in self._tones.push(position_s, tracks.tone_hz, tracks.tone_vu, tracks.tone_share, tracks.rms_dbfs):
            match event:
                case ToneStarted(tone):
                    following = self._follower.follow(tone)
                    self.notice = following.reason if isinstance(following, ToneFitsNoStep) else ""
                    if isinstance(following, StepFollowed):
                        wanted = following.index
                case ToneEnded():
                    self.notice = ""
        return wanted

    def watch(self, position_s: float, step: Step, tracks: TrackLevels) -> tuple[Event, ...]:
        """Look for movement against the target of the step; another tone than the step's counts as none."""
        deviation_db = tracks.tone_vu - step.target_vu if on_tone(step, tracks) else self._absent
        return self._trims.push(position_s, deviation_db, tracks.clipped)

    def leave(self) -> tuple[Event, ...]:
        """Leave the step, and begin another; return what was still open."""
        return self._trims.restart()

    def verify(self, place: int) -> Settled | None:
        """Return the level of a track (0…) from all its steady time in this step, if there was any."""
        return self._trims.verify(place)


def on_tone(step: Step, tracks: TrackLevels) -> bool:
    """Return whether the tone that plays is the step's."""
    return abs(tracks.tone_hz - step.tone_hz) <= OFF_TONE * step.tone_hz
