"""Wavelengths, losses and azimuth against handbook formulas and published tables."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.tape.errors import TapeError
from bridge.tape.losses import (
    ARCMINUTE_RAD,
    GAP_FACTOR,
    azimuth_angle_rad,
    azimuth_loss_db,
    gap_loss_db,
    spacing_loss_db,
    thickness_loss_db,
    track_delay_s,
    track_phase_deg,
)
from bridge.tape.wavelength import frequency_hz, wavelength_um
from bridge.units import SILENCE_DB


# Wavelength = speed / frequency; rounded as printed. 38.1 µm (1.5 mil) is the usual bias-test wavelength (handbook).
@pytest.mark.parametrize(
    ("speed_ips", "hz", "expected_um"),
    [
        (15, 1000, 381),
        (15, 10000, 38.1),
        (15, 16000, 23.81),
        (15, 20000, 19.05),
        (30, 20000, 38.1),
        (7.5, 10000, 19.05),
        (3.75, 10000, 9.525),
        (3.75, 20000, 4.763),
    ],
)
def test_wavelength(speed_ips, hz, expected_um):
    assert wavelength_um(hz, speed_ips) == pytest.approx(expected_um, rel=3e-4)


# Gap in µm, wavelength in µm, loss in dB by gap factor: 1 geometric; 1.11 handbook; 1.136 and 1.14 Westmijze (Philips
# Res. Rep. 1953, from memory). 0.001 dB is the rounding of the table.
GAP_TABLE = [
    (3, 38.1, -0.089, -0.109, -0.115, -0.115),
    (3, 19.05, -0.357, -0.441, -0.462, -0.465),
    (5, 19.05, -1.008, -1.249, -1.310, -1.319),
    (6.35, 19.05, -1.650, -2.053, -2.155, -2.171),
    (3, 9.525, -1.467, -1.822, -1.913, -1.927),
    (2, 4.7625, -2.685, -3.363, -3.537, -3.564),  # printed as 4.763: 20 kHz at 3.75 in/s
]


@pytest.mark.parametrize(
    ("gap_um", "length_um", "factor", "expected_db"),
    [(g, w, k, db) for g, w, *dbs in GAP_TABLE for k, db in zip((1, 1.11, 1.136, 1.14), dbs, strict=True)],
)
def test_gap_loss(gap_um, length_um, factor, expected_db):
    assert gap_loss_db(length_um, gap_um, factor) == pytest.approx(expected_db, abs=0.0011)


def test_a_gap_of_half_a_wavelength_loses_4_db():
    # The design rule "4 dB at the highest frequency" (handbook): exactly 3.92 dB.
    assert gap_loss_db(2.0, 1.0, 1.0) == pytest.approx(-3.92, abs=0.005)


@pytest.mark.parametrize("factor", [1.11, 1.12, 1.14])
def test_the_first_null_is_where_the_gap_acts_as_long_as_the_wave(factor):
    # Mallinson: first null at a wavelength of about 1.12 gaps. sin(pi) is 1e-16 in floats, which is -320 dB: silence.
    assert gap_loss_db(3.0 * factor, 3.0, factor) == SILENCE_DB
    assert gap_loss_db(3.0 * factor * 1.05, 3.0, factor) > -30


@given(st.floats(1, 1e4), st.floats(0.1, 20), st.floats(1, 1.2))
def test_gap_loss_is_numpys_sinc(length_um, gap_um, factor):
    ratio = abs(np.sinc(factor * gap_um / length_um))
    if ratio > 1e-6:
        assert gap_loss_db(length_um, gap_um, factor) == pytest.approx(20 * math.log10(ratio), abs=1e-6)


# Wallace, BSTJ XXX(4) part II, October 1951, pp. 1145-1173: 54.575 dB a wavelength.
@pytest.mark.parametrize(
    ("spacing_um", "length_um", "expected_db"),
    [
        (1, 381, -0.143),
        (1, 38.1, -1.432),
        (1, 19.05, -2.865),
        (1, 9.525, -5.730),
        (0.5, 19.05, -1.432),
        (2, 38.1, -2.865),
        (1, 1, -54.575),
    ],
)
def test_spacing_loss_is_wallaces(spacing_um, length_um, expected_db):
    assert spacing_loss_db(length_um, spacing_um) == pytest.approx(expected_db, abs=0.0011)


# Wallace, as above: a coating magnetised uniformly.
@pytest.mark.parametrize(
    ("coating_um", "length_um", "expected_db"),
    [(10, 381, -0.706), (10, 38.1, -6.199), (10, 19.05, -10.693), (14, 38.1, -8.177), (16, 38.1, -9.071)],
)
def test_thickness_loss_is_wallaces(coating_um, length_um, expected_db):
    assert thickness_loss_db(length_um, coating_um) == pytest.approx(expected_db, abs=0.0011)


# 20 lg |sin x / x|, x = pi w tan(angle) / wavelength: standard geometry; evaluated outside this project.
@pytest.mark.parametrize(
    ("width_mm", "arcminutes", "length_um", "expected_db"),
    [
        (6.25, 1, 38.1, -0.033),
        (6.25, 5, 38.1, -0.829),
        (2.0, 10, 38.1, -0.336),
        (1.78, 10, 38.1, -0.266),
        (0.94, 10, 38.1, -0.074),
        (0.94, 30, 38.1, -0.673),
        (2.08, 10, 19.05, -1.492),
    ],
)
def test_azimuth_loss(width_mm, arcminutes, length_um, expected_db):
    loss_db = azimuth_loss_db(length_um, width_mm, arcminutes * ARCMINUTE_RAD)
    assert loss_db == pytest.approx(expected_db, abs=0.0011)


@pytest.mark.parametrize(
    ("spacing_mm", "arcminutes", "speed_ips", "expected_us"),
    [(48.5, 1, 15, 37.03), (48.5, 1, 30, 18.51), (48.5, 5, 30, 92.57), (23.1, 1, 15, 17.64), (3.9, 5, 7.5, 29.78)],
)
def test_delay_between_tracks(spacing_mm, arcminutes, speed_ips, expected_us):
    delay_s = track_delay_s(spacing_mm, arcminutes * ARCMINUTE_RAD, speed_ips)
    assert 1e6 * delay_s == pytest.approx(expected_us, abs=0.0101)


@pytest.mark.parametrize(("hz", "expected_deg"), [(1000, 13.33), (10000, 133.3)])
def test_phase_between_the_outer_tracks_of_a_two_inch_head(hz, expected_deg):
    delay_s = track_delay_s(48.5, ARCMINUTE_RAD, 15)
    assert track_phase_deg(hz, delay_s) == pytest.approx(expected_deg, rel=5e-4)


# McKnight, "Azimuth in a Magnetic Tape Recorder", rev. 2000: 300 µrad at 10 kHz, between tracks at the edges. The table
# prints whole degrees and no spacings; 4.0, 9.7 and 23 mm are the spacings that quarter-, half- and one-inch tape give.
@pytest.mark.parametrize(
    ("speed_ips", "spacing_mm", "published_deg"),
    [(3.75, 4.0, 45), (3.75, 9.7, 110), (3.75, 23.0, 260), (7.5, 4.0, 22)],
)
def test_phase_at_the_azimuth_tolerance_of_a_calibration_tape_is_the_published_one(
    speed_ips, spacing_mm, published_deg
):
    phase_deg = track_phase_deg(10_000, track_delay_s(spacing_mm, 300e-6, speed_ips))
    assert phase_deg == pytest.approx(published_deg, abs=max(1.0, 0.02 * published_deg))


speeds = st.sampled_from([3.75, 7.5, 15.0, 30.0])
frequencies = st.floats(20, 20_000)


@given(frequencies, speeds, speeds)
def test_the_same_wavelength_has_the_same_losses_at_every_speed(hz, speed_ips, other_ips):
    here_um = wavelength_um(hz, speed_ips)
    there_um = wavelength_um(hz * other_ips / speed_ips, other_ips)
    for loss in (
        lambda um: gap_loss_db(um, 2.0),
        lambda um: spacing_loss_db(um, 0.5),
        lambda um: thickness_loss_db(um, 14.0),
        lambda um: azimuth_loss_db(um, 1.78, 1e-4),
    ):
        assert loss(here_um) == pytest.approx(loss(there_um), rel=1e-6, abs=1e-9)


@given(frequencies, speeds)
def test_wavelength_leads_back_to_the_frequency(hz, speed_ips):
    assert frequency_hz(wavelength_um(hz, speed_ips), speed_ips) == pytest.approx(hz, rel=1e-12)


@given(st.floats(1, 60), st.floats(-0.01, 0.01), speeds)
def test_delay_leads_back_to_the_angle(spacing_mm, angle_rad, speed_ips):
    delay_s = track_delay_s(spacing_mm, angle_rad, speed_ips)
    assert azimuth_angle_rad(spacing_mm, delay_s, speed_ips) == pytest.approx(angle_rad, abs=1e-15)


@given(st.floats(1, 1e5), st.floats(0, 20))
def test_no_loss_is_a_gain(length_um, small_um):
    assert gap_loss_db(length_um, small_um) <= 0
    assert spacing_loss_db(length_um, small_um) <= 0
    assert thickness_loss_db(length_um, small_um) <= 1e-12


def test_nothing_is_lost_without_gap_spacing_coating_or_angle():
    assert gap_loss_db(10, 0) == spacing_loss_db(10, 0) == thickness_loss_db(10, 0) == azimuth_loss_db(10, 1, 0) == 0


@pytest.mark.parametrize(
    ("call", "parameter"),
    [
        (lambda: gap_loss_db(0, 3), "wavelength_um"),
        (lambda: gap_loss_db(38.1, -3), "gap_um"),
        (lambda: gap_loss_db(38.1, 3, 0), "gap_factor"),
        (lambda: spacing_loss_db(38.1, -1), "spacing_um"),
        (lambda: thickness_loss_db(38.1, -1), "coating_um"),
        (lambda: azimuth_loss_db(38.1, -1, 0), "track_width_mm"),
        (lambda: track_delay_s(-1, 0, 15), "spacing_mm"),
        (lambda: track_delay_s(1, math.nan, 15), "angle_rad"),
        (lambda: wavelength_um(0, 15), "hz"),
        (lambda: wavelength_um(1000, -15), "speed_ips"),
    ],
)
def test_what_cannot_be_names_the_parameter(call, parameter):
    with pytest.raises(TapeError, match=rf"^{parameter}: "):
        call()


def test_the_default_gap_factor_is_the_one_the_tables_state():
    assert gap_loss_db(19.05, 3) == gap_loss_db(19.05, 3, 1.14)
    assert GAP_FACTOR == 1.14
