"""Fringing: the flux that a narrow core picks up from beside its track, when a tape is recorded wider than the core.

At long wavelengths a full-track tape therefore reads high on a multitrack head. In come wavelength and geometry, or a
table that somebody measured; out comes how much too high, in dB, and how far that can be trusted.

Lengths are in mm, k = 2 pi / wavelength, w is the width of the core, W how far the recording reaches beyond one edge of
it, and F = 20 lg{1 + [h(W1) + h(W2)] / w}. Three estimates of h:

(a) exponential: h(W) = (1 - e^-kW) / k, the spacing law applied sideways; widely used (from memory).
(b) isolated core with square edges, by reciprocity: h(W) = I(kW) / k, where I is the integral of the lateral
    sensitivity s(x) = e^-x / 2 + integral over u >= 0 of e^(-x cosh u) g(u), with
    g(u) = (4 / 3 pi) cos 30° cosh(2u/3) / (1/2 + cosh(4u/3)).
    Own derivation, confirmed by an independent finite-difference solution; no published number.
(c) a neighbouring core or shield at the distance G takes its half of the gap: h is at most G / 2.

We estimate by the smaller of (b) and (c) on each side. J. G. McKnight (JAES 26(4), April 1978, 202-208) says that the
correction cannot be computed accurately at the lowest frequencies; so an estimate is never better than `UNCERTAINTY`,
and a table measured on the very head and tape has precedence.
"""

import bisect
import math
from dataclasses import dataclass
from typing import Final

from bridge.tape.errors import TapeError, require_finite, require_not_negative, require_positive
from bridge.tape.wavelength import wavelength_um

UNCERTAINTY: Final = 0.5
"""Half-width of the uncertainty of an estimate, as a fraction of its dB. A judgement, not a measurement."""

_STEP: Final = 0.1
_LATERAL: Final[tuple[tuple[float, float], ...]] = tuple(
    (
        math.cosh(u),
        (_STEP if u > 0.0 else _STEP / 2.0)
        * (4.0 / (3.0 * math.pi))
        * math.cos(math.radians(30.0))
        * math.cosh(2.0 * u / 3.0)
        / (0.5 + math.cosh(4.0 * u / 3.0))
        / math.cosh(u),
    )
    for u in (_STEP * i for i in range(200))
)
"""Nodes (cosh u, weight) of the trapezoidal rule, which converges exponentially for this even, decaying integrand."""


def lateral_integral(x: float) -> float:
    """Return I(x), the lateral sensitivity of estimate (b) integrated from the edge of the core to x = k W."""
    if math.isinf(x):
        return 0.5 + sum(weight for _, weight in _LATERAL)
    require_not_negative("x", x)
    return -0.5 * math.expm1(-x) - sum(weight * math.expm1(-x * cosh_u) for cosh_u, weight in _LATERAL)


def exponential_estimate_db(
    wavelength_mm: float, track_width_mm: float, overhang_mm: float = math.inf, other_overhang_mm: float = math.inf
) -> float:
    """Return estimate (a) in dB; an overhang is how far the recording reaches beyond one edge of the core."""
    k = _wavenumber(wavelength_mm)
    return _rise_db(track_width_mm, *(-math.expm1(-k * side) / k for side in (overhang_mm, other_overhang_mm)))


def isolated_core_estimate_db(
    wavelength_mm: float, track_width_mm: float, overhang_mm: float = math.inf, other_overhang_mm: float = math.inf
) -> float:
    """Return estimate (b) in dB; at long wavelengths it is an upper bound, because it knows no neighbouring cores."""
    k = _wavenumber(wavelength_mm)
    return _rise_db(track_width_mm, *(lateral_integral(k * side) / k for side in (overhang_mm, other_overhang_mm)))


def neighbour_limit_db(track_width_mm: float, track_pitch_mm: float) -> float:
    """Return limit (c) for a core with a neighbour on both sides: 20 lg(pitch / width)."""
    require_positive("track_width_mm", track_width_mm)
    if not track_pitch_mm >= track_width_mm:
        raise TapeError("track_pitch_mm", f"{track_pitch_mm:g} must not be below the track width, {track_width_mm:g}")
    return 20.0 * math.log10(track_pitch_mm / track_width_mm)


@dataclass(frozen=True, slots=True)
class HeadGeometry:
    """The stack of cores of a head, over a tape that is recorded across its whole width.

    Parameters
    ----------
    tracks : int
        How many cores there are.
    track_width_mm : float
        Width of one core.
    track_pitch_mm : float or None
        From centre to centre; None = not known, then neighbours are taken as far away.
    edge_mm : float
        How far the tape reaches beyond the outer edge of the first and the last core.
    """

    tracks: int
    track_width_mm: float
    track_pitch_mm: float | None = None
    edge_mm: float = 0.0

    def estimate_db(self, wavelength_mm: float, track: int) -> float:
        """Return the estimate for one track, 1…, in dB: on each side the smaller of (b) and (c)."""
        if not 1 <= track <= self.tracks:
            raise TapeError("track", f"{track} must be 1 to {self.tracks}")
        k = _wavenumber(wavelength_mm)
        sides = (self._side_mm(k, track - 1), self._side_mm(k, self.tracks - track))
        return _rise_db(self.track_width_mm, *sides)

    def middle_estimate_db(self, wavelength_mm: float) -> float:
        """Return the estimate for the track in the middle of the stack, which has tape on both sides."""
        return self.estimate_db(wavelength_mm, (self.tracks + 1) // 2)

    def _side_mm(self, k_per_mm: float, neighbours: int) -> float:
        if neighbours == 0:
            return lateral_integral(k_per_mm * self.edge_mm) / k_per_mm
        if self.track_pitch_mm is None:
            return lateral_integral(math.inf) / k_per_mm
        overhang_mm = neighbours * self.track_pitch_mm + self.edge_mm
        half_gap_mm = (self.track_pitch_mm - self.track_width_mm) / 2.0
        return min(lateral_integral(k_per_mm * overhang_mm) / k_per_mm, half_gap_mm)


@dataclass(frozen=True, slots=True)
class FringingTable:
    """How much too high a tape reads on a head, as somebody measured it.

    Measured, for instance, by recording the same tones on the machine's own tracks and comparing. It holds at equal
    wavelength, so it serves every speed. Between its frequencies it is interpolated in log frequency; above the highest
    the value shrinks in proportion to the wavelength, which is how fringing ends; below the lowest it is held.

    Parameters
    ----------
    speed_ips : float
        The speed it was measured at.
    points : tuple of (float, float)
        Pairs (Hz, dB), with rising frequency.
    uncertainty_db : float
        Half-width of the uncertainty of each value.
    """

    speed_ips: float
    points: tuple[tuple[float, float], ...]
    uncertainty_db: float = 0.25

    def __post_init__(self) -> None:
        require_positive("fringing.speed_ips", self.speed_ips)
        require_not_negative("fringing.uncertainty_db", self.uncertainty_db)
        if not self.points:
            raise TapeError("fringing.points", "must hold at least one pair of Hz and dB")
        for hz, level_db in self.points:
            require_positive("fringing.points", hz)
            require_finite("fringing.points", level_db)
        if any(a >= b for (a, _), (b, _) in zip(self.points, self.points[1:], strict=False)):
            raise TapeError("fringing.points", "must be in order of rising frequency, each once")

    def at_db(self, hz: float, speed_ips: float) -> float:
        """Return the value in dB at the wavelength of a frequency at a speed."""
        table_hz = self._table_hz(hz, speed_ips)
        frequencies = [point_hz for point_hz, _ in self.points]
        above = bisect.bisect_left(frequencies, table_hz)
        if above == 0:
            return self.points[0][1]
        low_hz, low_db = self.points[above - 1]
        if above == len(self.points):
            return low_db * low_hz / table_hz
        high_hz, high_db = self.points[above]
        return low_db + (high_db - low_db) * math.log(table_hz / low_hz) / math.log(high_hz / low_hz)

    def covers(self, hz: float, speed_ips: float) -> bool:
        """Return whether the table reaches down to the wavelength of a frequency at a speed."""
        return self._table_hz(hz, speed_ips) >= self.points[0][0] * (1.0 - 1e-9)

    def _table_hz(self, hz: float, speed_ips: float) -> float:
        return hz * wavelength_um(1.0, self.speed_ips) / wavelength_um(1.0, speed_ips)


def _wavenumber(wavelength_mm: float) -> float:
    require_positive("wavelength_mm", wavelength_mm)
    return 2.0 * math.pi / wavelength_mm


def _rise_db(track_width_mm: float, side_mm: float, other_side_mm: float) -> float:
    require_positive("track_width_mm", track_width_mm)
    return 20.0 * math.log10(1.0 + (side_mm + other_side_mm) / track_width_mm)
