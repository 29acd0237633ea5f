"""What one test of `check` found."""

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["good", "note", "bad"]


@dataclass(frozen=True, slots=True)
class Finding:
    """``message`` says what is wrong and where, ``advice`` what to do about it.

    ``bad`` is what `run` would refuse, or what would make a calibration incomplete; a ``note`` may well be meant.
    """

    part: str
    verdict: Verdict
    message: str
    advice: str = ""
