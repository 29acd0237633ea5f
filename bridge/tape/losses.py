"""What a reproduce head loses at short wavelengths: gap, spacing, thickness, azimuth; and the delay between tracks.

Every loss is in dB, 0 or below, and depends on nothing but lengths: the same wavelength has the same loss at any speed.
Angles are those between the recorded and the reproducing gap, in radians.
"""

import math
from typing import Final

from bridge.tape.errors import require_finite, require_not_negative, require_positive
from bridge.tape.wavelength import mm_per_s
from bridge.units import db

GAP_FACTOR: Final = 1.14
"""How much longer a gap acts than it measures. Handbooks use 1.11, Westmijze (Philips Res. Rep. 1953) gives 1.136 to
1.14 (from memory)."""

ARCMINUTE_RAD: Final = math.pi / (180.0 * 60.0)
"""One minute of arc, in which azimuth is often stated."""


def gap_loss_db(wavelength_um: float, gap_um: float, gap_factor: float = GAP_FACTOR) -> float:
    """Return the gap loss, 20 lg |sin x / x| with x = pi gap_factor gap / wavelength; `SILENCE_DB` in a null."""
    require_positive("wavelength_um", wavelength_um)
    require_not_negative("gap_um", gap_um)
    require_positive("gap_factor", gap_factor)
    return _aperture_db(math.pi * gap_factor * gap_um / wavelength_um)


def spacing_loss_db(wavelength_um: float, spacing_um: float) -> float:
    """Return the loss of a tape that runs at a distance from the head, -54.575 dB a wavelength.

    Source: Wallace, Bell System Technical Journal XXX(4) part II, October 1951, pp. 1145-1173.
    """
    require_positive("wavelength_um", wavelength_um)
    require_not_negative("spacing_um", spacing_um)
    return -20.0 * math.log10(math.e) * 2.0 * math.pi * spacing_um / wavelength_um


def thickness_loss_db(wavelength_um: float, coating_um: float) -> float:
    """Return the loss of a uniformly magnetised coating, 20 lg [(1 - e^-y) / y] with y = 2 pi coating / wavelength.

    Source: Wallace, as above. Measured responses fall faster at short wavelengths, because a coating is not magnetised
    uniformly: this informs, it sets no target.
    """
    require_positive("wavelength_um", wavelength_um)
    require_not_negative("coating_um", coating_um)
    y = 2.0 * math.pi * coating_um / wavelength_um
    return 20.0 * math.log10(-math.expm1(-y) / y) if y > 0.0 else 0.0


def azimuth_loss_db(wavelength_um: float, track_width_mm: float, angle_rad: float) -> float:
    """Return the loss of a gap at an angle, 20 lg |sin x / x| with x = pi width tan(angle) / wavelength."""
    require_positive("wavelength_um", wavelength_um)
    require_positive("track_width_mm", track_width_mm)
    require_finite("angle_rad", angle_rad)
    return _aperture_db(1000.0 * math.pi * track_width_mm * math.tan(abs(angle_rad)) / wavelength_um)


def track_delay_s(spacing_mm: float, angle_rad: float, speed_ips: float) -> float:
    """Return by how many seconds one track lags another: spacing tan(angle) / speed.

    ``spacing_mm`` is the distance of the centres of the two tracks; the sign is that of the angle.
    """
    require_positive("spacing_mm", spacing_mm)
    require_finite("angle_rad", angle_rad)
    return spacing_mm * math.tan(angle_rad) / mm_per_s(speed_ips)


def azimuth_angle_rad(spacing_mm: float, delay_s: float, speed_ips: float) -> float:
    """Return the angle behind a delay between two tracks: the inverse of `track_delay_s`."""
    require_positive("spacing_mm", spacing_mm)
    require_finite("delay_s", delay_s)
    return math.atan(delay_s * mm_per_s(speed_ips) / spacing_mm)


def track_phase_deg(hz: float, delay_s: float) -> float:
    """Return the phase in degrees between two tracks at a frequency, not wrapped."""
    require_positive("hz", hz)
    return 360.0 * hz * delay_s


def _aperture_db(x: float) -> float:
    return min(0.0, db(abs(math.sin(x) / x))) if x > 0.0 else 0.0
