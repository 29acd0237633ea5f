"""Wavelength on tape: from a frequency and a speed to micrometres, and back.

The wavelength is what heads and tape know of a tone: the same wavelength has the same losses and the same fringing at
every speed.
"""

from typing import Final

from bridge.tape.errors import require_positive

MM_PER_INCH: Final = 25.4
"""Exact since the international yard of 1959."""

SAME_SPEED: Final = 0.01
"""Speeds this close, as a fraction, are the same speed under an inch or a metric name (9.53 cm/s is 3.75 in/s)."""


def mm_per_s(speed_ips: float) -> float:
    """Return a tape speed in mm/s."""
    require_positive("speed_ips", speed_ips)
    return speed_ips * MM_PER_INCH


def wavelength_um(hz: float, speed_ips: float) -> float:
    """Return the wavelength on tape in micrometres: speed divided by frequency."""
    require_positive("hz", hz)
    return 1000.0 * mm_per_s(speed_ips) / hz


def frequency_hz(wavelength_um: float, speed_ips: float) -> float:
    """Return the frequency in Hz at which a wavelength in micrometres is heard at a speed."""
    require_positive("wavelength_um", wavelength_um)
    return 1000.0 * mm_per_s(speed_ips) / wavelength_um


def same_speed(speed_ips: float, other_ips: float) -> bool:
    """Return whether two speeds are the same speed, give or take how metric speeds are rounded."""
    return abs(speed_ips - other_ips) <= SAME_SPEED * max(abs(speed_ips), abs(other_ips))
