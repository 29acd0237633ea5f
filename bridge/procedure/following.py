"""Following the tape: a tone that has begun goes in, the step that belongs to it comes out, or why there is none.

Within the path and the speed that the person has chosen, a tone leads to the next step that wants it: level, high, low
as the plan has them, and back to the last before it when the tape is wound back. What the person chooses stays until
another tone plays.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from bridge.procedure.steps import Step
from bridge.procedure.tapes import NO_TAPES, Tapes
from bridge.procedure.tones import Tone
from bridge.tape.machine import RECORD_SIDE, Adjustment
from bridge.tape.wavelength import same_speed

Round = Literal["repro", "sync", "record"]
"""What is gone through with one run of tones: a path of the tape, or the record side."""

SAME_HZ = 1e-3


def round_of(adjustment: Adjustment) -> Round:
    """Return the round that an adjustment belongs to."""
    if adjustment in RECORD_SIDE:
        return "record"
    return "sync" if adjustment.startswith("sync") else "repro"


@dataclass(frozen=True, slots=True)
class StepFollowed:
    """The tone belongs to this step (0…), which is another than before."""

    index: int


@dataclass(frozen=True, slots=True)
class StepKept:
    """The tone belongs to the step that is under way already, or the person wants that kept."""

    index: int


@dataclass(frozen=True, slots=True)
class ToneFitsNoStep:
    """No step of this round and speed wants the tone; ``elsewhere`` are steps of others that do (0…).

    ``reason`` is one line for a person.
    """

    tone: Tone
    elsewhere: tuple[int, ...]
    reason: str


Following = StepFollowed | StepKept | ToneFitsNoStep


class StepFollower:
    """Knows which step a tone belongs to.

    Parameters
    ----------
    steps : sequence of Step
    index : int
        The step under way, 0…
    tapes : Tapes
        The calibration tapes, to tell when one runs at a wrong speed.
    """

    def __init__(self, steps: Sequence[Step], index: int = 0, tapes: Tapes = NO_TAPES) -> None:
        if steps and not 0 <= index < len(steps):
            raise ValueError(f"there is no step {index}: they are 0 to {len(steps) - 1}")
        self._steps = tuple(steps)
        self._tapes = tapes
        self._index = index
        self._held = False
        self._tone_hz: float | None = None
        self._chosen = False
        self._follows = True
        self._behind = False

    @property
    def index(self) -> int:
        """Number of the step under way, from 0."""
        return self._index

    @property
    def held(self) -> bool:
        """Whether nothing is followed because all is held."""
        return self._held

    @property
    def follows(self) -> bool:
        """Whether a tone may lead to another step, as far as it is not held."""
        return self._follows

    @property
    def is_behind(self) -> bool:
        """Whether the tone that plays now shall be followed, though it began when none was."""
        return self._behind and not self._held

    def hold(self, on: bool) -> None:
        """Stop or let go on; a tone that is heard meanwhile is not followed afterwards."""
        self._held = on

    def let_follow(self, on: bool) -> None:
        """Switch following off or on; switched on, it begins with the tone that plays, whatever was chosen before."""
        if on and not self._follows:
            self._chosen = False
            self._behind = True
        elif not on:
            self._behind = False
        self._follows = on

    def choose(self, index: int) -> None:
        """Go to a step because the person says so: it stays until another tone than the present one plays.

        It also chooses the round and the speed in which tones are followed.
        """
        if not 0 <= index < len(self._steps):
            raise ValueError(f"there is no step {index}: they are 0 to {len(self._steps) - 1}")
        self._index = index
        self._chosen = True
        self._behind = False

    def follow(self, tone: Tone) -> Following:
        """Take a tone that has begun; return which step it belongs to."""
        another = self._tone_hz is None or not _same(tone.hz, self._tone_hz, 0.02)
        self._tone_hz = tone.hz
        if self._held:
            return StepKept(self._index)
        self._behind = False
        if self._chosen and not another:
            return StepKept(self._index)
        index = self.step_of(tone)
        if index is None:
            wanting = tuple(self._wanting(tone))
            return ToneFitsNoStep(tone, wanting, self._why(tone, wanting))
        self._chosen = False
        if not self._follows or index == self._index:
            return StepKept(self._index)
        self._index = index
        return StepFollowed(index)

    def step_of(self, tone: Tone) -> int | None:
        """Return the step (0…) that a tone belongs to, whether it is followed or not; None when there is none."""
        if not self._steps:
            return None
        here = self._steps[self._index]
        fitting = [
            index
            for index in self._wanting(tone)
            if round_of(self._steps[index].adjustment) == round_of(here.adjustment)
            and same_speed(self._steps[index].speed_ips, here.speed_ips)
        ]
        if not fitting or self._index in fitting:
            return self._index if fitting else None
        return next((index for index in fitting if index > self._index), fitting[-1])

    def _wanting(self, tone: Tone) -> list[int]:
        return [index for index, step in enumerate(self._steps) if self._wants(step, tone)]

    @staticmethod
    def _wants(step: Step, tone: Tone) -> bool:
        return tone.nominal_hz is not None and _same(step.tone_hz, tone.nominal_hz, SAME_HZ)

    def _why(self, tone: Tone, elsewhere: tuple[int, ...]) -> str:
        if len(tone.candidates_hz) > 1:
            names = " or ".join(f"{hz:g} Hz" for hz in tone.candidates_hz)
            return f"{tone.hz:.1f} Hz may be {names}: choose the step"
        here = self._steps[self._index] if self._steps else None
        if here is None or round_of(here.adjustment) == "record":
            return self._why_recorded(tone, elsewhere)
        return self._why_played(tone, here, [self._steps[index] for index in elsewhere])

    def _why_recorded(self, tone: Tone, elsewhere: tuple[int, ...]) -> str:
        if not elsewhere:
            return f"no step wants a tone of {tone.hz:.0f} Hz"
        wanting = [self._steps[index] for index in elsewhere]
        step = next((one for one in wanting if one.adjustment in RECORD_SIDE), wanting[0])
        return f"{tone.hz:.0f} Hz is wanted by {_named(step)}: choose that step"

    def _why_played(self, tone: Tone, here: Step, wanting: Sequence[Step]) -> str:
        """Say why a tone leads nowhere while a calibration tape is on: nobody is led to the record side with it."""
        played = [step for step in wanting if step.adjustment not in RECORD_SIDE]
        hz = f"{tone.hz:.0f} Hz"
        of_this_speed = [step for step in played if same_speed(step.speed_ips, here.speed_ips)]
        if of_this_speed:
            return f"{hz} is wanted by {_named(of_this_speed[0])}: choose that step"
        if self._tapes.have(tone.hz, here.speed_ips):
            return f"{hz} is a tone of this tape that no step {'here ' if wanting else ''}wants"
        wrong = self._tapes.wrong_speed(tone.hz, here.speed_ips)
        if wrong:
            or_that = f"for {_named(played[0])}, or " if played else ""
            return f"{hz} may be {or_that}{wrong}: look at the speed and at the tape"
        if played:
            return f"{hz} is wanted by {_named(played[0])}: choose that step"
        return f"no step {'here ' if wanting else ''}wants a tone of {hz}"


def _named(step: Step) -> str:
    return f'"{step.adjustment}" at {step.speed_ips:g} in/s'


def _same(hz: float, other_hz: float, share: float) -> bool:
    return abs(hz - other_hz) <= share * other_hz
