"""Levels and their conversions: plain numbers in, plain numbers out.

0 dBFS is the rms level of a full-scale sine (AES17-2015, 3.12.1), so a sine of peak amplitude 1.0 reads 0 dBFS.
0 VU is whatever level in dBFS the machine's line-up calls the reference (``reference_dbfs``).
"""

import math
from typing import Final

SILENCE_DB: Final = -200.0
"""What a level of nothing reads: below the noise of any converter, and still a number that every peer can parse."""

UNKNOWN: Final = "—"
"""What is said where there is no level."""

FINEST_DB: Final = 0.01
"""No level is said to people more finely."""

DBU_REFERENCE_V: Final = math.sqrt(0.6)
"""0 dBu: the voltage that puts 1 mW into 600 ohm."""


def db(ratio: float) -> float:
    """Return an amplitude ratio in dB; `SILENCE_DB` for ratios too small to be a signal."""
    return 20.0 * math.log10(ratio) if ratio > 10.0 ** (SILENCE_DB / 20.0) else SILENCE_DB


def ratio(level_db: float) -> float:
    """Return the amplitude ratio of a level in dB."""
    return float(10.0 ** (level_db / 20.0))


def dbu_from_volts(volts_rms: float) -> float:
    """Return the level in dBu of an rms voltage."""
    return 20.0 * math.log10(volts_rms / DBU_REFERENCE_V)


def volts_from_dbu(level_dbu: float) -> float:
    """Return the rms voltage of a level in dBu."""
    return DBU_REFERENCE_V * ratio(level_dbu)


def vu_from_dbfs(level_dbfs: float, reference_dbfs: float) -> float:
    """Return a level in VU, where ``reference_dbfs`` is the level of a sine that reads 0 VU."""
    return level_dbfs - reference_dbfs


def dbfs_from_vu(level_vu: float, reference_dbfs: float) -> float:
    """Return the level in dBFS of a reading in VU."""
    return level_vu + reference_dbfs


def signed(level_db: float, resolution_db: float = FINEST_DB) -> str:
    """Return a level with its sign, as a multiple of a resolution of 0.01 dB to 1 dB; a dash when there is none."""
    if math.isnan(level_db):
        return UNKNOWN
    decimals = 2 if resolution_db < 0.1 else 1 if resolution_db < 1.0 else 0
    # A level of no more than rounding has no sign of its own.
    level_db = round(round(level_db / resolution_db) * resolution_db, decimals) + 0.0
    return f"{level_db:+.{decimals}f}".replace("-", "−")
