"""What a calibration tape is: its fluxivity, speed, equalization, format, and its tones in order."""

from dataclasses import dataclass
from typing import Literal

from bridge.tape.equalization import Equalization

FluxivityScale = Literal["aes7", "german"]
"""How the stated fluxivity was measured: by AES7 / ANSI S4.6, or on the old German scale (DIN 45 520)."""


@dataclass(frozen=True, slots=True)
class Tone:
    """One tone of a calibration tape; ``level_db`` is relative to the tape's reference fluxivity."""

    hz: float
    level_db: float = 0.0
    seconds: float = 60.0


@dataclass(frozen=True, slots=True)
class CalibrationTape:
    """One calibration tape."""

    fluxivity_nwb_per_m: float
    speed_ips: float
    equalization: Equalization
    tones: tuple[Tone, ...]
    scale: FluxivityScale = "aes7"
    reference_hz: float = 1000.0
    full_track: bool = True
    fringing_compensated: bool = False
    name: str = ""
