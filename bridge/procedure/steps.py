"""A step: one adjustment at one tone and one speed, for every track, with its target and tolerance."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from bridge.tape.machine import Adjustment
from bridge.tape.target_warnings import TargetWarning


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
