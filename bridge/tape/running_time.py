"""Running time: from a length of tape, or a pack on a hub, and a speed to seconds, and back.

time = length / speed. A pack holds length = pi (D^2 - d^2) / (4 thickness), which takes it as wound without air. Reels
hold a little more than their nominal length, and leader and threading cost a little (common practice, no source).
"""

import math
from typing import Final

from bridge.tape.errors import TapeError, require_not_negative, require_positive
from bridge.tape.wavelength import MM_PER_INCH, mm_per_s

M_PER_FOOT: Final = 12.0 * MM_PER_INCH / 1000.0


def metres_from_feet(feet: float) -> float:
    """Return a length in metres."""
    return feet * M_PER_FOOT


def running_time_s(length_m: float, speed_ips: float) -> float:
    """Return for how many seconds a length of tape runs."""
    require_not_negative("length_m", length_m)
    return 1000.0 * length_m / mm_per_s(speed_ips)


def length_m(time_s: float, speed_ips: float) -> float:
    """Return the length of tape that runs in a time: the position on tape after that time."""
    require_not_negative("time_s", time_s)
    return time_s * mm_per_s(speed_ips) / 1000.0


def time_left_s(reel_length_m: float, played_s: float, speed_ips: float) -> float:
    """Return how many seconds are left on a reel after ``played_s`` seconds at a speed; 0 when it has run out."""
    return max(0.0, running_time_s(reel_length_m, speed_ips) - played_s)


def pack_length_m(outer_diameter_mm: float, hub_diameter_mm: float, thickness_um: float) -> float:
    """Return the length of tape in a pack.

    Raises
    ------
    TapeError
        For a diameter or thickness that is not above 0, or a pack smaller than its hub.
    """
    require_positive("outer_diameter_mm", outer_diameter_mm)
    require_positive("hub_diameter_mm", hub_diameter_mm)
    require_positive("thickness_um", thickness_um)
    if outer_diameter_mm < hub_diameter_mm:
        raise TapeError("outer_diameter_mm", f"{outer_diameter_mm:g} must not be below the hub's {hub_diameter_mm:g}")
    return math.pi * (outer_diameter_mm**2 - hub_diameter_mm**2) / (4.0 * thickness_um)


def pack_diameter_mm(length_m: float, hub_diameter_mm: float, thickness_um: float) -> float:
    """Return the outer diameter of a pack that holds a length of tape: the inverse of `pack_length_m`."""
    require_not_negative("length_m", length_m)
    require_positive("hub_diameter_mm", hub_diameter_mm)
    require_positive("thickness_um", thickness_um)
    return math.sqrt(hub_diameter_mm**2 + 4.0 * thickness_um * length_m / math.pi)
