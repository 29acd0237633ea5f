"""A step: one adjustment at one tone and one speed, for every track, with its target and tolerance."""

from dataclasses import dataclass, field
from collections.abc import Mapping

from bridge.tape.machine import Adjustment


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the calibration.

    ``target_vu`` is what the meter must read; ``target_terms_db`` are the named terms that add up to it.
    """

    adjustment: Adjustment
    tone_hz: float
    speed_ips: float
    target_vu: float
    tolerance_db: float
    target_terms_db: Mapping[str, float] = field(default_factory=dict)
