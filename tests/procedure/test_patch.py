"""From inputs to tracks: who is patched where, and what makes VU of dBFS."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bridge.metering.levels import Levels
from bridge.procedure.bank import Bank
from bridge.procedure.patch import Patch

CROSSED = Bank(1, (1, 2, 5), (7, 3, 4))


def levels(inputs: int) -> Levels:
    """Input k reads -10 k dBFS, and so on."""
    column = -10.0 * np.arange(1, inputs + 1)
    clipped = np.arange(1, inputs + 1) == 3
    plain = (column, column - 1, column - 2, -column, -column, column, column)
    return Levels(480, 1_000, 1000.0, 2.0, *plain, clipped, column)


def test_tracks_are_where_they_are_patched() -> None:
    tracks = Patch(CROSSED, (3, 4, 7), -18.0, {}).tracks(levels(3))
    # Columns 1, 2, 3 are inputs 3, 4, 7; a sine at the reference level reads 0 VU.
    assert_allclose(tracks.vu, [-30.0 + 18.0, -10.0 + 18.0, -20.0 + 18.0])
    assert_allclose(tracks.tone_vu, tracks.vu - 1)
    assert_allclose(tracks.fine_vu, tracks.vu - 2)
    assert tracks.clipped.tolist() == [True, False, False]
    assert (tracks.end_frame, tracks.captured_ns, tracks.tone_hz, tracks.tone_s) == (480, 1_000, 1000.0, 2.0)


def test_offsets_belong_to_inputs_and_not_to_peaks() -> None:
    tracks = Patch(CROSSED, (3, 4, 7), -18.0, {7: 0.5, 4: -0.25, 9: 9.0}).tracks(levels(3))
    assert_allclose(tracks.vu, [-11.5, 8.0, -2.25])
    assert_allclose(tracks.rms_dbfs, [-29.5, -10.0, -20.25])
    assert_allclose(tracks.rms_vu, [-11.5, 8.0, -2.25])
    assert_allclose(tracks.peak_dbfs, [-30.0, -10.0, -20.0])
    assert_allclose(tracks.spread_db, [30.0, 10.0, 20.0])


def test_an_input_that_is_not_there_is_named() -> None:
    with pytest.raises(ValueError, match="bank 1 is patched to input 7, which the source does not deliver"):
        Patch(CROSSED, (1, 2, 3, 4), -18.0, {})
