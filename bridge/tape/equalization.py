"""Reproduce equalization by time constants: from a curve's name and a speed to a level at any frequency.

The standards fix the short-circuit flux that a constant input shall leave on the tape (IEC 60094-1:1981, clause 15):

    N(f) = 10 lg[1 + 1 / (2 pi f tau2)^2] - 10 lg[1 + (2 pi f tau1)^2]      dB, re the flux in mid band

The reproducer is the complement, -N(f), after a head that senses flux. A perfect reproducer of curve B shows a perfect
tape of curve A at N_A(f) - N_B(f). Handbooks round the time constants to transition frequencies (50 µs to 3150 Hz);
we keep the time constants, which differs from them by less than 0.1 dB.
"""

import difflib
import math
from dataclasses import dataclass
from typing import Final, Literal, Self, get_args

from bridge.tape.errors import TapeError, require_not_negative, require_positive
from bridge.tape.wavelength import same_speed

CurveName = Literal["iec1", "iec2", "nab", "aes", "iec-before-1968", "iec-1962", "din-1962", "din-1955"]
"""The curves known by name. The dated ones are historic and named after the standard and the year it began or ended."""

CURVE_NAMES: Final[tuple[CurveName, ...]] = get_args(CurveName)

TIME_CONSTANTS_US: Final[dict[tuple[CurveName, float], tuple[float, float]]] = {
    ("iec1", 30.0): (35.0, 0.0),  # historic, 1953-68
    ("iec1", 15.0): (35.0, 0.0),
    ("iec1", 7.5): (70.0, 0.0),
    ("iec2", 30.0): (17.5, 0.0),
    ("iec2", 15.0): (50.0, 3180.0),
    ("iec2", 7.5): (50.0, 3180.0),
    ("iec2", 3.75): (90.0, 3180.0),
    ("nab", 15.0): (50.0, 3180.0),
    ("nab", 7.5): (50.0, 3180.0),
    ("nab", 3.75): (90.0, 3180.0),
    ("aes", 30.0): (17.5, 0.0),
    ("iec-before-1968", 30.0): (35.0, 0.0),
    ("iec-before-1968", 7.5): (100.0, 0.0),
    ("iec-1962", 3.75): (140.0, 3180.0),
    ("din-1962", 3.75): (120.0, 3180.0),
    ("din-1955", 3.75): (200.0, 0.0),
}
"""(curve, speed in in/s) to (tau 1, tau 2) in microseconds, 0 = none. Source: IASA TC-04, 5.4.10, Table 1."""


@dataclass(frozen=True, slots=True)
class Equalization:
    """A reproduce characteristic.

    Parameters
    ----------
    name : str
        What people call it; free time constants are called ``free``.
    hf_us : float
        Tau 1 in microseconds, 0 = none: above 1 / (2 pi tau 1) the recorded flux falls by 6 dB an octave.
    lf_us : float
        Tau 2 in microseconds, 0 = none: below 1 / (2 pi tau 2) the recorded flux rises by 6 dB an octave.

    Raises
    ------
    TapeError
        For a time constant below 0, or a tau 2 that is not longer than tau 1.
    """

    name: str
    hf_us: float
    lf_us: float

    def __post_init__(self) -> None:
        require_not_negative("equalization.hf_us", self.hf_us)
        require_not_negative("equalization.lf_us", self.lf_us)
        if 0.0 < self.lf_us <= self.hf_us:
            raise TapeError("equalization.lf_us", f"{self.lf_us:g} must be above hf_us, {self.hf_us:g}, or 0 for none")

    @classmethod
    def named(cls, name: str, speed_ips: float) -> Self:
        """Return the curve that a name means at a speed.

        Parameters
        ----------
        name : str
            One of `CURVE_NAMES`.
        speed_ips : float
            The tape speed in in/s, within 1 % of a speed that the curve is standardised for.

        Raises
        ------
        TapeError
            When no curve has this name, or when it has none at this speed; the message says what there is.
        """
        require_positive("speed_ips", speed_ips)
        at_speed = [curve for curve, ips in TIME_CONSTANTS_US if same_speed(ips, speed_ips)]
        for (curve, ips), (hf_us, lf_us) in TIME_CONSTANTS_US.items():
            if curve == name and same_speed(ips, speed_ips):
                return cls(name, hf_us, lf_us)
        if name in CURVE_NAMES:
            speeds = ", ".join(f"{ips:g}" for curve, ips in sorted(TIME_CONSTANTS_US) if curve == name)
            here = f"; at {speed_ips:g} in/s there is {', '.join(at_speed)}" if at_speed else ""
            raise TapeError(
                "equalization",
                f'"{name}" has no curve at {speed_ips:g} in/s; it has one at {speeds} in/s{here};'
                " or give time constants: { hf_us = 35, lf_us = 0 }",
            )
        close = difflib.get_close_matches(name.lower(), CURVE_NAMES, n=1)
        hint = f'; did you mean "{close[0]}"?' if close else ""
        raise TapeError("equalization", f'"{name}" is not a curve; known are {", ".join(CURVE_NAMES)}{hint}')

    @classmethod
    def free(cls, hf_us: float, lf_us: float = 0.0) -> Self:
        """Return a curve of time constants that have no name."""
        return cls("free", hf_us, lf_us)

    def flux_db(self, hz: float) -> float:
        """Return N(f): the recorded flux of the curve in dB relative to its mid-band asymptote."""
        require_positive("hz", hz)
        omega_per_us = 2.0e-6 * math.pi * hz
        low_db = 10.0 * math.log10(1.0 + (omega_per_us * self.lf_us) ** -2) if self.lf_us > 0.0 else 0.0
        return low_db - 10.0 * math.log10(1.0 + (omega_per_us * self.hf_us) ** 2)

    def relative_flux_db(self, hz: float, reference_hz: float = 1000.0) -> float:
        """Return N(f) - N(reference): the recorded flux in dB relative to that at another frequency."""
        return self.flux_db(hz) - self.flux_db(reference_hz)

    def played_faster(self, factor: float) -> "Equalization":
        """Return the curve that a tape of this curve has when it is played faster by a factor.

        Frequencies scale with the speed, so time constants scale with its inverse: a 70 µs tape for 7.5 in/s is a
        35 µs tape at 15 in/s.
        """
        require_positive("factor", factor)
        return Equalization(self.name, self.hf_us / factor, self.lf_us / factor)

    def same_curve(self, other: "Equalization") -> bool:
        """Return whether both have the same time constants, whatever they are called."""
        return math.isclose(self.hf_us, other.hf_us, rel_tol=1e-3) and math.isclose(
            self.lf_us, other.lf_us, rel_tol=1e-3
        )

    @property
    def constants(self) -> str:
        """The time constants for people to read: ``50 + 3180 µs``."""
        parts = [f"{tau_us:g}" for tau_us in (self.hf_us, self.lf_us) if tau_us > 0.0]
        return f"{' + '.join(parts)} µs" if parts else "flat"
