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
    """The tone belongs to the step that is under way already, or the person wants it kept."""

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

    @property
    def index(self) -> int:
        """Number of the step under way, from 0."""
        return self._index

    @property
    def held(self) -> bool:
        """Whether following is switched off."""
        return self._held

    def hold(self, on: bool) -> None:
        """Switch following off or on; a tone that is heard meanwhile is not followed afterwards."""
        self._held = on

    def choose(self, index: int) -> None:
        """Go to a step because the person says so: it stays until another tone than the present one plays.

        It also chooses the round and the speed in which tones are followed.
        """
        if not 0 <= index < len(self._steps):
            raise ValueError(f"there is no step {index}: they are 0 to {len(self._steps) - 1}")
        self._index = index
        self._chosen = True

    def follow(self, tone: Tone) -> Following:
        """Take a tone that has begun; return which step it belongs to."""
        another = self._tone_hz is None or not _same(tone.hz, self._tone_hz, 0.02)
        self._tone_hz = tone.hz
        if self._held:
            return StepKept(self._index)
        if self._chosen and not another:
            return StepKept(self._index)
        wanting = [index for index, step in enumerate(self._steps) if self._wants(step, tone)]
        here = self._steps[self._index] if self._steps else None
        if here is None or not wanting:
            return ToneFitsNoStep(tone, (), self._why(tone, ()))
        fitting = [
            index
            for index in wanting
            if round_of(self._steps[index].adjustment) == round_of(here.adjustment)
            and same_speed(self._steps[index].speed_ips, here.speed_ips)
        ]
        if not fitting:
            return ToneFitsNoStep(tone, tuple(wanting), self._why(tone, tuple(wanting)))
        self._chosen = False
        if self._index in fitting:
            return StepKept(self._index)
        self._index = next((index for index in fitting if index > self._index), fitting[-1])
        return StepFollowed(self._index)

    @staticmethod
    def _wants(step: Step, tone: Tone) -> bool:
        return tone.nominal_hz is not None and _same(step.tone_hz, tone.nominal_hz, SAME_HZ)

    def _why(self, tone: Tone, elsewhere: tuple[int, ...]) -> str:
        if len(tone.candidates_hz) > 1:
            names = " or ".join(f"{hz:g} Hz" for hz in tone.candidates_hz)
            return f"{tone.hz:.1f} Hz may be {names}: choose the step"
        here = self._steps[self._index] if self._steps else None
        played = [index for index in elsewhere if round_of(self._steps[index].adjustment) != "record"]
        # Whoever plays a tape shall not be led to the record side by a tone of it that comes at a wrong speed.
        if here is not None and round_of(here.adjustment) != "record" and not played:
            reason = self._tapes.wrong_speed(tone.hz, here.speed_ips)
            if reason:
                return reason
        if not elsewhere:
            return f"no step wants a tone of {tone.hz:.0f} Hz"
        step = self._steps[(played or elsewhere)[0]]
        return f'{tone.hz:.0f} Hz is wanted by "{step.adjustment}" at {step.speed_ips:g} in/s: choose that step'


def _same(hz: float, other_hz: float, share: float) -> bool:
    return abs(hz - other_hz) <= share * other_hz
