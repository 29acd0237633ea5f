"""Levels against the definitions: 0 dBu is the voltage of 1 mW in 600 ohm, 0 dBFS a full-scale sine (AES17-2015)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.units import SILENCE_DB, db, dbfs_from_vu, dbu_from_volts, ratio, signed, volts_from_dbu, vu_from_dbfs


@pytest.mark.parametrize(
    ("dbu", "volts"),
    # Worked outside this project from 0 dBu = sqrt(0.6) V; +4 dBu is 0 VU of a standard volume indicator.
    [(4.0, 1.227653), (4.0025, 1.228), (-7.7815, 0.316228), (18.0, 6.15284), (24.0, 12.27653), (-20.0, 0.0774597)],
)
def test_dbu(dbu: float, volts: float) -> None:
    assert volts_from_dbu(dbu) == pytest.approx(volts, rel=1e-5)
    assert dbu_from_volts(volts) == pytest.approx(dbu, abs=5e-4)


@pytest.mark.parametrize(("level_db", "amplitude"), [(-18.0, 0.125893), (-20.0, 0.1), (0.0, 1.0), (6.0206, 2.0)])
def test_amplitude_of_a_level(level_db: float, amplitude: float) -> None:
    assert ratio(level_db) == pytest.approx(amplitude, rel=1e-5)
    assert db(amplitude) == pytest.approx(level_db, abs=1e-4)


@pytest.mark.parametrize("nothing", [0.0, 1e-300, -1.0])
def test_nothing_is_silence(nothing: float) -> None:
    assert db(nothing) == SILENCE_DB


@given(st.floats(-150, 30), st.floats(-30, 0))
def test_vu_there_and_back(level_dbfs: float, reference_dbfs: float) -> None:
    assert vu_from_dbfs(reference_dbfs, reference_dbfs) == 0.0
    assert dbfs_from_vu(vu_from_dbfs(level_dbfs, reference_dbfs), reference_dbfs) == pytest.approx(level_dbfs)


@pytest.mark.parametrize(
    ("level_db", "resolution_db", "said"),
    [
        (-0.8344, 0.01, "−0.83"),
        (-0.8344, 0.02, "−0.84"),
        (-0.8344, 0.05, "−0.85"),
        (-0.8344, 0.1, "−0.8"),
        (-0.8344, 0.5, "−1.0"),
        (-0.8344, 1.0, "−1"),
        (-0.004, 0.01, "+0.00"),
        (-0.04, 0.1, "+0.0"),
        (math.nan, 0.1, "—"),
    ],
)
def test_a_level_is_said_as_finely_as_it_is_known(level_db: float, resolution_db: float, said: str) -> None:
    assert signed(level_db, resolution_db) == said
