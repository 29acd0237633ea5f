"""What metering says about all inputs at one moment."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Column = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """The levels of all inputs at one moment, 100 times a second whatever the size of the blocks.

    All arrays have shape (inputs,). Levels are in dBFS by AES17 (a full-scale sine reads 0 dBFS); a level of nothing is
    `bridge.units.SILENCE_DB`; what cannot be said is NaN.

    Parameters
    ----------
    end_frame : int
        Number of the first sample after those that this was computed from.
    captured_ns : int
        Unix time in nanoseconds at which the sample before ``end_frame`` was captured.
    tone_hz : float
        Frequency of the tone that plays, the same for all inputs; 0.0 when none does.
    tone_s : float
        For how long a tone has been heard without a break, seconds; 0.0 when none is. Where one low tone follows
        another without a pause it runs on, while ``tone_hz`` glides and ``spread_db`` is large for a moment.
    vu_dbfs : ndarray
        VU-ballistic level.
    tone_dbfs : ndarray
        Level of the tone now, over a short window (20 ms at 1 kHz and above): the quickest honest figure, for
        recognising movement. NaN while there is no tone on the input.
    fine_dbfs : ndarray
        Level of the tone over the fine window (`FINE_WINDOW_S`). NaN until the window is filled with tone.
    spread_db : ndarray
        Standard deviation of ``tone_dbfs`` over the spread window. NaN until that is filled.
    tone_share : ndarray
        Power of the tone as a share of the whole power of the input, 0…1.
    phase_rad : ndarray
        Phase of the tone against the first input that carries it, −π…π.
    peak_dbfs : ndarray
        Largest sample since the previous Levels.
    clipped : ndarray of bool
        Whether samples stood at full scale since the previous Levels.
    rms_dbfs : ndarray
        Rms level of everything on the input over 0.3 s (its noise floor when no tone plays).
    """

    end_frame: int
    captured_ns: int
    tone_hz: float
    tone_s: float
    vu_dbfs: Column
    tone_dbfs: Column
    fine_dbfs: Column
    spread_db: Column
    tone_share: Column
    phase_rad: Column
    peak_dbfs: Column
    clipped: NDArray[np.bool_]
    rms_dbfs: Column
