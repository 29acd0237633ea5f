"""Reproduce equalization against the formula's tables, a remembered standard table, and scipy's filters."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from bridge.tape.equalization import CURVE_NAMES, TIME_CONSTANTS_US, Equalization
from bridge.tape.errors import TapeError

HZ = (31.5, 50, 63, 100, 125, 250, 500, 700, 1000, 2000, 4000, 5000, 8000, 10000, 12500, 16000, 20000)

# N(f) in dB, evaluated outside this project from the formula of IEC 60094-1:1981, clause 15, with the time constants of
# IASA TC-04, 5.4.10, Table 1. Rounded to 0.001 dB.
ABSOLUTE_DB = {
    (17.5, 0): "-0.000 -0.000 -0.000 -0.001 -0.001 -0.003 -0.013 -0.026 -0.052 -0.205 -0.768 -1.147 -2.489 -3.442"
    " -4.608 -6.123 -7.661",
    (35, 0): "-0.000 -0.001 -0.001 -0.002 -0.003 -0.013 -0.052 -0.102 -0.205 -0.768 -2.489 -3.442 -6.123 -7.661 -9.323"
    " -11.265 -13.084",
    (50, 3180): "5.470 3.013 2.123 0.967 0.639 0.144 -0.063 -0.183 -0.398 -1.442 -4.114 -5.400 -8.643 -10.362 -12.154"
    " -14.194 -16.072",
    (70, 0): "-0.001 -0.002 -0.003 -0.008 -0.013 -0.052 -0.205 -0.393 -0.768 -2.489 -6.123 -7.661 -11.265 -13.084"
    " -14.945 -17.035 -18.942",
    (90, 3180): "5.470 3.011 2.119 0.957 0.624 0.085 -0.291 -0.610 -1.194 -3.575 -7.864 -9.539 -13.317 -15.182 -17.073"
    " -19.184 -21.103",
}
RELATIVE_DB = {
    (17.5, 0): "0.052 0.052 0.052 0.052 0.051 0.049 0.039 0.027 0 -0.153 -0.716 -1.095 -2.437 -3.390 -4.555 -6.070"
    " -7.609",
    (35, 0): "0.205 0.205 0.204 0.203 0.202 0.192 0.153 0.103 0 -0.563 -2.284 -3.237 -5.918 -7.456 -9.118 -11.060"
    " -12.879",
    (50, 3180): "5.868 3.411 2.521 1.364 1.037 0.542 0.335 0.215 0 -1.044 -3.716 -5.002 -8.245 -9.964 -11.756 -13.796"
    " -15.674",
    (70, 0): "0.767 0.766 0.765 0.760 0.755 0.716 0.563 0.375 0 -1.721 -5.355 -6.893 -10.497 -12.316 -14.177 -16.267"
    " -18.174",
    (90, 3180): "6.664 4.205 3.313 2.151 1.818 1.279 0.903 0.584 0 -2.381 -6.670 -8.345 -12.123 -13.988 -15.879 -17.989"
    " -19.909",
}


def rows(table):
    return [
        (hf_us, lf_us, hz, float(expected))
        for (hf_us, lf_us), column in table.items()
        for hz, expected in zip(HZ, column.split(), strict=True)
    ]


@pytest.mark.parametrize(("hf_us", "lf_us", "hz", "expected_db"), rows(ABSOLUTE_DB))
def test_flux_is_that_of_iec_60094_1_clause_15(hf_us, lf_us, hz, expected_db):
    assert Equalization.free(hf_us, lf_us).flux_db(hz) == pytest.approx(expected_db, abs=0.0011)


@pytest.mark.parametrize(("hf_us", "lf_us", "hz", "expected_db"), rows(RELATIVE_DB))
def test_flux_relative_to_1_khz_is_that_of_iec_60094_1_clause_15(hf_us, lf_us, hz, expected_db):
    assert Equalization.free(hf_us, lf_us).relative_flux_db(hz) == pytest.approx(expected_db, abs=0.0011)


# NAB Standard "Magnetic Tape Recording and Reproducing (Reel-to-Reel)", April 1965: reproducing characteristic, a table
# to 0.1 dB. Quoted from memory, so the tolerance is the rounding and a little: 0.06 dB.
@pytest.mark.parametrize(
    ("speed_ips", "hz", "expected_db"),
    [
        (7.5, 50, -3.0),
        (7.5, 100, -1.0),
        (7.5, 400, 0.0),
        (7.5, 1000, 0.4),
        (15, 10000, 10.4),
        (15, 15000, 13.7),
        (3.75, 1000, 1.2),
        (3.75, 5000, 9.5),
        (3.75, 10000, 15.2),
        (3.75, 15000, 18.6),
    ],
)
def test_reproduce_response_is_that_of_the_nab_table(speed_ips, hz, expected_db):
    assert -Equalization.named("nab", speed_ips).flux_db(hz) == pytest.approx(expected_db, abs=0.06)


# IASA TC-04, 5.4.10, Table 1.
@pytest.mark.parametrize(
    ("name", "speed_ips", "hf_us", "lf_us"),
    [
        ("iec2", 30, 17.5, 0),
        ("aes", 30, 17.5, 0),
        ("iec1", 30, 35, 0),
        ("iec1", 15, 35, 0),
        ("iec2", 15, 50, 3180),
        ("nab", 15, 50, 3180),
        ("iec1", 7.5, 70, 0),
        ("iec2", 7.5, 50, 3180),
        ("nab", 7.5, 50, 3180),
        ("iec-before-1968", 7.5, 100, 0),
        ("iec2", 3.75, 90, 3180),
        ("nab", 3.75, 90, 3180),
        ("iec-1962", 3.75, 140, 3180),
        ("din-1962", 3.75, 120, 3180),
        ("din-1955", 3.75, 200, 0),
    ],
)
def test_names_mean_the_time_constants_of_iasa_tc_04(name, speed_ips, hf_us, lf_us):
    curve = Equalization.named(name, speed_ips)
    assert (curve.hf_us, curve.lf_us) == (hf_us, lf_us)


# Handbooks state transition frequencies (from memory; 3150 Hz was read): 50 µs as 3150 Hz, 35 as 4500, 17.5 as 9000,
# 3180 as 50. Difference: below 0.1 dB anywhere in the band.
@pytest.mark.parametrize(
    ("name", "speed_ips", "high_hz", "low_hz"),
    [("nab", 15, 3150, 50), ("iec1", 15, 4500, 0), ("iec2", 30, 9000, 0)],
)
@pytest.mark.parametrize("hz", HZ)
def test_handbooks_transition_frequencies_differ_by_less_than_a_tenth(name, speed_ips, high_hz, low_hz, hz):
    low_db = 10 * math.log10(1 + (low_hz / hz) ** 2)
    handbook_db = low_db - 10 * math.log10(1 + (hz / high_hz) ** 2)
    assert Equalization.named(name, speed_ips).flux_db(hz) == pytest.approx(handbook_db, abs=0.1)


@pytest.mark.parametrize("metric_cm_per_s", [76.2, 38.1, 19.05, 9.53])
def test_metric_speeds_are_the_same_speeds(metric_cm_per_s):
    assert Equalization.named("iec2", metric_cm_per_s / 2.54).name == "iec2"


BAND_HZ = np.array(HZ, dtype=float)
OVERSAMPLED_HZ = 64 * 96_000.0
CURVES = sorted(set(TIME_CONSTANTS_US.values()))


def reproduce_amplifier(hf_us, lf_us):
    """Numerator and denominator in s of the amplifier behind an inductive head: an integrator with two corners."""
    return [1e-6 * hf_us, 1.0], [1.0, 1e6 / lf_us if lf_us else 0.0]


@pytest.mark.parametrize(("hf_us", "lf_us"), CURVES)
def test_scipys_bilinear_reproduce_filter_behind_an_inductive_head_is_the_complement(hf_us, lf_us):
    # The bilinear transform warps by less than 0.001 dB at 20 kHz and 64 x 96 kHz; the head is j omega.
    b, a = signal.bilinear(*reproduce_amplifier(hf_us, lf_us), fs=OVERSAMPLED_HZ)
    _, amplifier = signal.freqz(b, a, worN=BAND_HZ, fs=OVERSAMPLED_HZ)
    reproduce_db = 20 * np.log10(np.abs(amplifier * 2j * np.pi * BAND_HZ))
    curve = Equalization.free(hf_us, lf_us)
    assert [-curve.flux_db(hz) for hz in HZ] == pytest.approx(reproduce_db, abs=0.002)


@pytest.mark.parametrize(("hf_us", "lf_us"), CURVES)
@pytest.mark.parametrize("hz", [100.0, 1000.0, 10_000.0])
def test_a_tone_recorded_to_the_curve_leaves_scipys_filter_at_its_own_level(hf_us, lf_us, hz):
    fs = 16 * 96_000.0
    seconds = 0.2 + 20 / hz
    times = np.arange(int(seconds * fs)) / fs
    flux = 10 ** (Equalization.free(hf_us, lf_us).flux_db(hz) / 20)
    induced = flux * 2 * np.pi * hz * np.cos(2 * np.pi * hz * times)
    played = signal.lfilter(*signal.bilinear(*reproduce_amplifier(hf_us, lf_us), fs=fs), induced)
    last = slice(-round(10 / hz * fs), None)
    amplitude = 2 * abs(np.mean(played[last] * np.exp(-2j * np.pi * hz * times[last])))
    assert 20 * math.log10(amplitude) == pytest.approx(0.0, abs=0.01)


constants = st.tuples(st.floats(5, 300), st.one_of(st.just(0.0), st.floats(1000, 5000))).map(
    lambda pair: Equalization.free(*pair)
)
frequencies = st.floats(20, 20_000)


@given(constants, constants, frequencies)
def test_tape_on_machine_and_machine_on_tape_are_opposite(tape, machine, hz):
    forth_db = tape.relative_flux_db(hz) - machine.relative_flux_db(hz)
    back_db = machine.relative_flux_db(hz) - tape.relative_flux_db(hz)
    assert forth_db == pytest.approx(-back_db, abs=1e-12)


@given(constants, frequencies, st.floats(0.25, 4))
def test_at_the_same_place_on_tape_the_flux_is_the_same_at_every_speed(curve, hz, faster):
    assert curve.played_faster(faster).flux_db(hz * faster) == pytest.approx(curve.flux_db(hz), abs=1e-9)


@given(constants, frequencies, frequencies, frequencies)
def test_differences_between_frequencies_add_up(curve, a_hz, b_hz, c_hz):
    through_db = curve.relative_flux_db(a_hz, b_hz) + curve.relative_flux_db(b_hz, c_hz)
    assert through_db == pytest.approx(curve.relative_flux_db(a_hz, c_hz), abs=1e-9)


def test_a_70_us_tape_for_7_5_is_a_35_us_tape_at_15():
    assert Equalization.named("iec1", 7.5).played_faster(2).same_curve(Equalization.named("iec1", 15))


def test_a_curve_says_its_constants():
    assert Equalization.named("nab", 15).constants == "50 + 3180 µs"
    assert Equalization.named("iec1", 15).constants == "35 µs"
    assert Equalization.free(0).constants == "flat"


def test_an_unknown_curve_names_the_key_the_known_ones_and_the_nearest():
    with pytest.raises(
        TapeError, match=r'^equalization: "IEC-1" is not a curve; known are iec1, .*did you mean "iec1"'
    ):
        Equalization.named("IEC-1", 15)


@pytest.mark.parametrize(("name", "speed_ips"), [("iec1", 3.75), ("nab", 30), ("aes", 15), ("iec2", 11)])
def test_a_speed_without_such_a_curve_names_the_key_and_where_there_is_one(name, speed_ips):
    with pytest.raises(
        TapeError, match=rf'^equalization: "{name}" has no curve at {speed_ips} in/s; it has one at '
    ) as e:
        Equalization.named(name, speed_ips)
    assert e.value.key == "equalization"


@pytest.mark.parametrize(
    ("hf_us", "lf_us", "key"),
    [(-1, 0, "hf_us"), (35, -1, "lf_us"), (35, 20, "lf_us"), (math.nan, 0, "hf_us"), (35, math.inf, "lf_us")],
)
def test_impossible_time_constants_name_the_key(hf_us, lf_us, key):
    with pytest.raises(TapeError, match=rf"^equalization\.{key}: "):
        Equalization.free(hf_us, lf_us)


def test_every_name_has_a_curve():
    assert {name for name, _ in TIME_CONSTANTS_US} == set(CURVE_NAMES)
