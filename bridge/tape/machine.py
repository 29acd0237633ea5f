"""What a tape recorder is, for this job: its tracks, heads, speeds, equalization per speed and operating level."""

from dataclasses import dataclass, field
from typing import Literal, get_args

from bridge.tape.equalization import Equalization

Path = Literal["repro", "sync", "input"]
"""What feeds a track's output."""

Adjustment = Literal[
    "repro level", "repro high", "repro low",
    "sync level", "sync high", "sync low",
    "bias", "record level", "record high", "record low",
]  # fmt: skip
"""One kind of trimmer."""

ADJUSTMENTS: tuple[Adjustment, ...] = get_args(Adjustment)


def path_of(adjustment: Adjustment) -> Path:
    """Return the path on which an adjustment is read: the record side is read through the repro head."""
    return "sync" if adjustment.startswith("sync") else "repro"


@dataclass(frozen=True, slots=True)
class Speed:
    """One tape speed of a machine with its reproduce equalization."""

    ips: float
    equalization: Equalization


@dataclass(frozen=True, slots=True)
class Machine:
    """One tape recorder.

    ``operating_level_nwb_per_m`` is the fluxivity that shall read 0 VU.
    """

    name: str
    tracks: int
    operating_level_nwb_per_m: float
    track_width_mm: float
    track_pitch_mm: float
    speeds: tuple[Speed, ...] = field(default=())
