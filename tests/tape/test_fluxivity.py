"""Fluxivities against the published levels in use, their decibels, and the scales they were measured on."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.tape.equalization import Equalization
from bridge.tape.errors import TapeError
from bridge.tape.fluxivity import (
    aes7_nwb_per_m,
    difference_db,
    fluxivity_at_nwb_per_m,
    nwb_per_m_from_millimaxwell_per_mm,
    restated_nwb_per_m,
)

COLUMNS = (160, 185, 200, 250, 288, 320, 355, 370, 510, 514)

# 20 lg(column / row), evaluated outside this project; 0.005 dB is the rounding of the table.
MATRIX_DB = {
    185: (-1.26, 0, 0.68, 2.62, 3.84, 4.76, 5.66, 6.02, 8.81, 8.88),
    200: (-1.94, -0.68, 0, 1.94, 3.17, 4.08, 4.98, 5.34, 8.13, 8.20),
    250: (-3.88, -2.62, -1.94, 0, 1.23, 2.14, 3.05, 3.41, 6.19, 6.26),
    320: (-6.02, -4.76, -4.08, -2.14, -0.92, 0, 0.90, 1.26, 4.05, 4.12),
}


@pytest.mark.parametrize(
    ("row", "column", "expected_db"),
    [(row, column, db) for row, cells in MATRIX_DB.items() for column, db in zip(COLUMNS, cells, strict=True)],
)
def test_differences_between_the_fluxivities_in_use(row, column, expected_db):
    assert difference_db(column, row) == pytest.approx(expected_db, abs=0.0051)


def test_the_old_german_320_is_288_by_aes7():
    # A paper of the AES: tapes labelled 320 nWb/m on the old German scale measure 288 nWb/m by AES7, -0.92 dB.
    assert aes7_nwb_per_m(320, "german") == pytest.approx(288)
    assert difference_db(aes7_nwb_per_m(320, "german"), aes7_nwb_per_m(320, "aes7")) == pytest.approx(-0.92, abs=0.006)


def test_185_set_at_700_hz_is_180_5_at_1_khz():
    # N(1 kHz) - N(700 Hz) = -0.398 + 0.183 dB on the 50 + 3180 µs curve.
    assert restated_nwb_per_m(185, Equalization.named("nab", 7.5), 700) == pytest.approx(180.5, abs=0.06)


@pytest.mark.parametrize(
    ("millimaxwell_per_mm", "expected_nwb_per_m"),
    [(160 / 6.25, 256), (200 / 6.25, 320), (51.4, 514)],  # DIN 45513 draft, 1955: 160 mM and 200 mM over 6.25 mm
)
def test_millimaxwell_per_mm(millimaxwell_per_mm, expected_nwb_per_m):
    assert nwb_per_m_from_millimaxwell_per_mm(millimaxwell_per_mm) == pytest.approx(expected_nwb_per_m)


fluxivities = st.floats(10, 2000)


@given(fluxivities, fluxivities)
def test_there_and_back_is_opposite(a, b):
    assert difference_db(a, b) == pytest.approx(-difference_db(b, a), abs=1e-12)


@given(fluxivities, fluxivities)
def test_a_difference_leads_back_to_the_fluxivity(a, b):
    assert fluxivity_at_nwb_per_m(difference_db(a, b), b) == pytest.approx(a, rel=1e-12)


@given(fluxivities, st.floats(20, 20_000), st.floats(20, 20_000))
def test_restating_there_and_back_changes_nothing(fluxivity, a_hz, b_hz):
    curve = Equalization.named("nab", 15)
    there = restated_nwb_per_m(fluxivity, curve, a_hz, b_hz)
    assert restated_nwb_per_m(there, curve, b_hz, a_hz) == pytest.approx(fluxivity, rel=1e-12)


@pytest.mark.parametrize("wrong", [0.0, -185.0, float("nan"), float("inf")])
def test_a_fluxivity_that_cannot_be_names_the_parameter(wrong):
    with pytest.raises(TapeError, match=r"^fluxivity_nwb_per_m: "):
        difference_db(wrong, 320)
    with pytest.raises(TapeError, match=r"^reference_nwb_per_m: "):
        difference_db(320, wrong)


def test_an_unknown_scale_names_the_key():
    with pytest.raises(TapeError, match=r'^scale: "ampere" must be "aes7" or "german"'):
        aes7_nwb_per_m(320, "ampere")
