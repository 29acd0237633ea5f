"""A step: one adjustment at one tone and one speed, for every track, with its target and tolerance."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

from bridge.tape.machine import Adjustment
from bridge.tape.target_warnings import TargetWarning
from bridge.tape.wavelength import same_speed

SAME_TARGET_DB: Final = 0.01
"""What the fine level is accurate to: a target that moved by less asks for the same trim."""

SAME_TONE_RATIO: Final = 1.05
"""Tape speeds differ by less, tones of a calibration tape by more (a third of an octave is 1.26)."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the calibration.

    ``target_vu`` is what the meter must read; ``target_terms_db`` are the named terms that add up to it, and
    ``target_uncertainty_db`` is the half-width of how far it can be trusted. ``advice`` is what to do before the step,
    a paragraph each. What only informs a person does not make two steps differ.
    """

    adjustment: Adjustment
    tone_hz: float
    speed_ips: float
    target_vu: float
    tolerance_db: float
    target_terms_db: Mapping[str, float] = field(default_factory=dict)
    target_uncertainty_db: float = field(default=0.0, compare=False)
    target_warnings: tuple[TargetWarning, ...] = field(default=(), compare=False)
    advice: tuple[str, ...] = field(default=(), compare=False)


class OfStep(Protocol):
    """What a step is told by: `Step` itself, and what was done in one."""

    @property
    def adjustment(self) -> str: ...  # noqa: D102 - as of `Step`, like those below
    @property
    def tone_hz(self) -> float: ...  # noqa: D102
    @property
    def speed_ips(self) -> float: ...  # noqa: D102
    @property
    def target_vu(self) -> float: ...  # noqa: D102


def belongs(trim: OfStep, step: OfStep) -> bool:
    """Return whether a trim was made in a step, whatever its number and its tolerance were then.

    Bias is set by its peak, wherever on the meter that is.
    """
    return (
        trim.adjustment == step.adjustment
        and same_speed(trim.speed_ips, step.speed_ips)
        and 1.0 / SAME_TONE_RATIO <= trim.tone_hz / step.tone_hz <= SAME_TONE_RATIO
        and (step.adjustment == "bias" or abs(trim.target_vu - step.target_vu) <= SAME_TARGET_DB)
    )


def step_of(trim: OfStep, steps: Sequence[Step]) -> Step | None:
    """Return the first of these steps in which a trim was made; None when it was in none of them."""
    return next((step for step in steps if belongs(trim, step)), None)


def speed_told(step: OfStep, steps: Sequence[Step]) -> str:
    """Return the speed of a step as it stands behind other words, ``, 30 in/s``; empty where all steps have it."""
    if all(same_speed(one.speed_ips, step.speed_ips) for one in steps):
        return ""
    return f", {step.speed_ips:g} in/s"
