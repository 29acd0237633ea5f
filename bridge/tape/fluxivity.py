"""Fluxivity: short-circuit flux per metre of track width, in nWb/m; differences of it in dB, and its scales.

A fluxivity is known with the scale it was measured on and the frequency it was set at; both are restated here before
two fluxivities are compared.
"""

import math
from typing import Final, Literal, get_args

from bridge.tape.equalization import Equalization
from bridge.tape.errors import TapeError, require_positive

FluxivityScale = Literal["aes7", "german"]
"""How a fluxivity was measured: by AES7 / ANSI S4.6 (calibrated ring head), or on the old German scale (DIN 45 520)."""

AES7_PER_GERMAN: Final = 288.0 / 320.0
"""Tapes labelled 320 nWb/m on the old German scale measure 288 nWb/m by AES7 (paper of the AES): -0.92 dB."""

NWB_PER_M_PER_MM_PER_MM: Final = 10.0
"""One millimaxwell per millimetre is 10 nWb/m: 1 Mx = 10 nWb."""


def difference_db(fluxivity_nwb_per_m: float, reference_nwb_per_m: float) -> float:
    """Return a fluxivity in dB relative to another: 20 lg of their ratio."""
    require_positive("fluxivity_nwb_per_m", fluxivity_nwb_per_m)
    require_positive("reference_nwb_per_m", reference_nwb_per_m)
    return 20.0 * math.log10(fluxivity_nwb_per_m / reference_nwb_per_m)


def fluxivity_at_nwb_per_m(level_db: float, reference_nwb_per_m: float) -> float:
    """Return the fluxivity that lies ``level_db`` above a reference fluxivity."""
    require_positive("reference_nwb_per_m", reference_nwb_per_m)
    return float(reference_nwb_per_m * 10.0 ** (level_db / 20.0))


def aes7_nwb_per_m(fluxivity_nwb_per_m: float, scale: FluxivityScale) -> float:
    """Return a fluxivity as AES7 would measure it.

    Raises
    ------
    TapeError
        For a scale that is neither ``aes7`` nor ``german``.
    """
    require_positive("fluxivity_nwb_per_m", fluxivity_nwb_per_m)
    require_scale("scale", scale)
    return fluxivity_nwb_per_m * (AES7_PER_GERMAN if scale == "german" else 1.0)


def require_scale(key: str, scale: FluxivityScale) -> None:
    """Raise `TapeError` unless ``scale`` is one of the scales."""
    if scale not in get_args(FluxivityScale):
        raise TapeError(key, f'"{scale}" must be "aes7" or "german"')


def restated_nwb_per_m(
    fluxivity_nwb_per_m: float, equalization: Equalization, from_hz: float, to_hz: float = 1000.0
) -> float:
    """Return what a tape carries at ``to_hz`` whose fluxivity was set at ``from_hz``.

    Between two frequencies the flux follows the tape's own curve: N(to) - N(from).
    """
    return fluxivity_at_nwb_per_m(equalization.relative_flux_db(to_hz, from_hz), fluxivity_nwb_per_m)


def nwb_per_m_from_millimaxwell_per_mm(millimaxwell_per_mm: float) -> float:
    """Return a fluxivity in nWb/m from millimaxwell per millimetre of track width, as older German papers give it."""
    return millimaxwell_per_mm * NWB_PER_M_PER_MM_PER_MM
