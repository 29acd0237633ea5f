"""Reproduce equalization by time constants: from a curve's name and a speed to a level at any frequency."""

from dataclasses import dataclass
from typing import Literal

CurveName = Literal["iec1", "iec2", "nab"]


@dataclass(frozen=True, slots=True)
class Equalization:
    """A reproduce characteristic: ``hf_us`` is tau 1, ``lf_us`` is tau 2 (0 = none), both in microseconds."""

    name: str
    hf_us: float
    lf_us: float
