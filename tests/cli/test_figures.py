"""Figures for people: no more digits than a trim's standard error carries."""

from dataclasses import replace

import pytest

from bridge.cli.figures import error_of, found_of, left_of
from bridge.cli.live import told
from tests.log.examples import TRIM


@pytest.mark.parametrize(
    ("error_db", "found", "left", "error"),
    [
        # The steps are 1, 2, 5 and their decades, none finer than the error.
        (0.004, "−0.83", "+0.13", "0.01"),
        (0.015, "−0.84", "+0.12", "0.01"),
        (0.03, "−0.85", "+0.15", "0.03"),
        (0.07, "−0.8", "+0.1", "0.07"),
        (0.3, "−1.0", "+0.0", "0.30"),
    ],
)
def test_a_trim_is_said_as_finely_as_its_standard_error_carries(
    error_db: float, found: str, left: str, error: str
) -> None:
    trim = replace(TRIM, as_left_db=0.1266, standard_error_db=error_db)
    assert (found_of(trim), left_of(trim), error_of(trim)) == (found, left, error)
    assert f"{found} → {left} dB" in told(trim, "20261125-1.1")


def test_of_a_single_reading_the_spread_says_how_finely_it_is_known() -> None:
    trim = replace(TRIM, as_left_db=0.1266, spread_db=0.08)
    assert (found_of(trim), left_of(trim), error_of(trim)) == ("−0.8", "+0.1", "—")
