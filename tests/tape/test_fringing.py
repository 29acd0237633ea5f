"""Fringing estimates against worked numbers and scipy's integration; the measured table against itself."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from bridge.tape.errors import TapeError
from bridge.tape.fringing import (
    FringingTable,
    HeadGeometry,
    exponential_estimate_db,
    isolated_core_estimate_db,
    lateral_integral,
    neighbour_limit_db,
)
from bridge.tape.wavelength import wavelength_um

HZ = (50, 63, 100, 125, 250, 500, 1000)

# At 15 in/s: (b) an isolated core by reciprocity, worked outside this project from the formula and confirmed there by
# finite differences; (a) the exponential model, literature from memory. 0.006 dB is the rounding.
WIDE_MM = (10_000.0, 10_000.0)
WORKED = [
    (1.78, WIDE_MM, (6.23, 5.26, 3.66, 3.04, 1.65, 0.87, 0.44), (7.47, 6.37, 4.51, 3.78, 2.09, 1.11, 0.57)),
    (0.94, WIDE_MM, (9.50, 8.22, 5.99, 5.08, 2.91, 1.57, 0.82), (11.08, 9.68, 7.20, 6.16, 3.61, 1.99, 1.05)),
    (2.08, (0.0, 3.9), (3.13, 2.61, 1.76, 1.43, 0.75, 0.38, 0.19), (3.86, 3.26, 2.22, 1.82, 0.96, 0.49, 0.25)),
]
CASES = [
    (width, sides, hz, b, a) for width, sides, bs, others in WORKED for hz, b, a in zip(HZ, bs, others, strict=True)
]


def mm(hz, speed_ips=15.0):
    return wavelength_um(hz, speed_ips) / 1000


@pytest.mark.parametrize(("width_mm", "sides_mm", "hz", "isolated_db", "exponential_db"), CASES)
def test_worked_numbers(width_mm, sides_mm, hz, isolated_db, exponential_db):
    assert isolated_core_estimate_db(mm(hz), width_mm, *sides_mm) == pytest.approx(isolated_db, abs=0.0061)
    assert exponential_estimate_db(mm(hz), width_mm, *sides_mm) == pytest.approx(exponential_db, abs=0.0061)


# Worked outside this project, rounded to 0.0001; the limit is (2/3) / cos 30 degrees.
@pytest.mark.parametrize(
    ("x", "expected"),
    [(0.1, 0.0881), (0.2, 0.1626), (0.5, 0.3350), (1, 0.5157), (2, 0.6805), (3, 0.7379), (5, 0.7656)],
)
def test_lateral_integral(x, expected):
    assert lateral_integral(x) == pytest.approx(expected, abs=6e-5)


def test_lateral_integral_of_everything():
    assert lateral_integral(math.inf) == pytest.approx((2 / 3) / math.cos(math.pi / 6), abs=1e-6)


@pytest.mark.parametrize(("x", "expected"), [(0.5, 0.476), (1.0, 0.2697)])
def test_lateral_sensitivity_is_that_of_finite_differences(x, expected):
    # s(x) is the derivative of the integral; a finite-difference solution of the field outside this project gave these,
    # good to its grid: 0.001.
    assert (lateral_integral(x + 1e-5) - lateral_integral(x - 1e-5)) / 2e-5 == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("x", [0.05, 0.7, 4.0])
def test_lateral_integral_is_scipys(x):
    def weight(u):
        top = 4 / (3 * math.pi) * math.cos(math.pi / 6) * math.cosh(2 * u / 3)
        return top / (0.5 + math.cosh(4 * u / 3))

    def sensitivity(r):
        far, _ = integrate.quad(lambda u: math.exp(-r * math.cosh(u)) * weight(u), 0, 12)
        return 0.5 * math.exp(-r) + far

    expected, _ = integrate.quad(sensitivity, 0, x)
    assert lateral_integral(x) == pytest.approx(expected, abs=1e-6)


# 20 lg(pitch / width): worked outside this project, rounded to 0.1 dB.
@pytest.mark.parametrize(("width_mm", "pitch_mm", "expected_db"), [(0.94, 2.11, 7.0), (1.778, 3.226, 5.2)])
def test_neighbours_limit_fringing(width_mm, pitch_mm, expected_db):
    limit_db = neighbour_limit_db(width_mm, pitch_mm)
    assert limit_db == pytest.approx(expected_db, abs=0.051)
    assert HeadGeometry(24, width_mm, pitch_mm).middle_estimate_db(1e6) == pytest.approx(limit_db, abs=1e-6)


@pytest.mark.parametrize("hz", HZ)
def test_a_track_in_the_stack_takes_the_smaller_of_isolated_and_limit(hz):
    expected_db = min(isolated_core_estimate_db(mm(hz), 1.78), neighbour_limit_db(1.78, 3.30))
    assert HeadGeometry(8, 1.78, 3.30).middle_estimate_db(mm(hz)) == pytest.approx(expected_db, abs=0.01)


@pytest.mark.parametrize("hz", HZ)
def test_quarter_inch_two_track_has_fringing_from_one_side(hz):
    # The worked case again: tape to the outer edge, 3.9 mm to the other side; there the neighbour's limit lies above.
    expected_db = isolated_core_estimate_db(mm(hz), 2.08, 0.0, 3.9)
    assert HeadGeometry(2, 2.08, 3.9).estimate_db(mm(hz), 1) == pytest.approx(expected_db, abs=0.05)


def test_outer_tracks_have_less_than_inner_ones_and_both_ends_the_same():
    heads = HeadGeometry(8, 1.778, 3.302, 0.25)
    by_track = [heads.estimate_db(mm(100), track) for track in range(1, 9)]
    assert by_track == pytest.approx(by_track[::-1])
    assert by_track[0] < by_track[1] <= by_track[3] + 1e-9


def test_a_head_as_wide_as_the_tape_has_no_fringing():
    assert HeadGeometry(1, 6.3).middle_estimate_db(mm(50)) == 0


wavelengths = st.floats(0.005, 200)
widths = st.floats(0.3, 7)
pitches = st.floats(1.0, 3.0)


@given(wavelengths, widths, pitches, st.integers(1, 24))
def test_an_estimate_is_never_below_0_nor_above_the_exponential_one(wavelength_mm, width_mm, ratio, tracks):
    heads = HeadGeometry(tracks, width_mm, width_mm * ratio)
    for track in {1, (tracks + 1) // 2, tracks}:
        estimate_db = heads.estimate_db(wavelength_mm, track)
        assert 0 <= estimate_db <= exponential_estimate_db(wavelength_mm, width_mm) + 1e-9


@given(wavelengths, widths, pitches)
def test_longer_waves_never_have_less_fringing(wavelength_mm, width_mm, ratio):
    heads = HeadGeometry(8, width_mm, width_mm * ratio)
    assert heads.middle_estimate_db(wavelength_mm * 1.5) >= heads.middle_estimate_db(wavelength_mm) - 1e-12


TABLE = FringingTable(15.0, ((50.0, 4.0), (100.0, 3.0), (1000.0, 0.4)))


def test_a_table_returns_what_was_measured():
    assert [TABLE.at_db(hz, 15) for hz in (50, 100, 1000)] == pytest.approx([4.0, 3.0, 0.4])


def test_a_table_is_interpolated_in_log_frequency():
    assert TABLE.at_db(math.sqrt(50 * 100), 15) == pytest.approx(3.5)
    assert TABLE.at_db(100 * 10**0.25, 15) == pytest.approx(3.0 - 2.6 / 4)


def test_above_its_top_a_table_shrinks_with_the_wavelength_and_below_it_is_held():
    assert TABLE.at_db(4000, 15) == pytest.approx(0.1)
    assert TABLE.at_db(31.5, 15) == 4.0
    assert TABLE.covers(50, 15)
    assert not TABLE.covers(49, 15)


@given(st.floats(20, 20_000), st.sampled_from([3.75, 7.5, 30.0]))
def test_a_table_holds_at_equal_wavelength(hz, speed_ips):
    assert TABLE.at_db(hz * speed_ips / 15, speed_ips) == pytest.approx(TABLE.at_db(hz, 15), abs=1e-9)


@pytest.mark.parametrize(
    ("points", "problem"),
    [
        ((), "at least one"),
        (((100.0, 1.0), (50.0, 2.0)), "rising"),
        (((100.0, 1.0), (100.0, 2.0)), "rising"),
        (((0.0, 1.0),), "above 0"),
        (((100.0, math.nan),), "finite"),
    ],
)
def test_a_table_that_cannot_be_names_the_key(points, problem):
    with pytest.raises(TapeError, match=rf"^fringing\.points: .*{problem}"):
        FringingTable(15.0, points)


@pytest.mark.parametrize(
    ("call", "key"),
    [
        (lambda: isolated_core_estimate_db(0, 1.78), "wavelength_mm"),
        (lambda: isolated_core_estimate_db(1, -1.78), "track_width_mm"),
        (lambda: isolated_core_estimate_db(1, 1.78, -1.0), "x"),
        (lambda: neighbour_limit_db(3, 2), "track_pitch_mm"),
        (lambda: HeadGeometry(8, 1.78, 3.3).estimate_db(1, 9), "track"),
        (lambda: FringingTable(0.0, ((100.0, 1.0),)), "fringing.speed_ips"),
    ],
)
def test_what_cannot_be_names_the_key(call, key):
    with pytest.raises(TapeError, match=rf"^{key}: "):
        call()
