"""Offsets of inputs from one tone fed to all of them, and the reasons why they are not taken."""

import numpy as np
import pytest
from numpy.typing import NDArray

from bridge.metering.offsets import OffsetError, OffsetMeasurement
from tests.metering.signals import measure, tone

RATE_HZ = 48_000
INPUTS = (3, 4, 8)


def measured(samples: NDArray[np.float32], seconds: float = 1.0) -> OffsetMeasurement:
    measurement = OffsetMeasurement(INPUTS, seconds)
    for levels in measure(samples, RATE_HZ):
        if measurement.push(levels):
            break
    return measurement


def gained(*gains_db: float, seconds: float = 2.5) -> NDArray[np.float32]:
    samples = tone(RATE_HZ, 1000, seconds, level_dbfs=-12.0, signal_to_noise_db=60)
    return (samples * 10 ** (np.array(gains_db) / 20)).astype(np.float32)


def test_offsets_bring_every_input_to_the_mean() -> None:
    offsets = measured(gained(0.12, -0.30, 0.06)).result(None)
    assert [one.input for one in offsets] == [3, 4, 8]
    # The mean of the levels in dB is -12.04 dBFS.
    assert [one.offset_db for one in offsets] == pytest.approx([-0.16, 0.26, -0.10], abs=0.002)
    assert [one.level_dbfs for one in offsets] == pytest.approx([-11.88, -12.30, -11.94], abs=0.002)


def test_offsets_bring_every_input_to_a_level_that_is_named() -> None:
    offsets = measured(gained(0.12, -0.30, 0.06)).result(-12.5)
    assert [one.offset_db for one in offsets] == pytest.approx([-0.62, -0.20, -0.56], abs=0.002)


def test_a_tone_that_breaks_off_is_measured_anew() -> None:
    pause = np.zeros((RATE_HZ, 3), dtype=np.float32)
    samples = np.concatenate([gained(-1.0, -1.0, -1.0, seconds=1.2), pause, gained(0.0, 0.2, 0.4)])
    offsets = measured(samples).result(None)
    assert [one.offset_db for one in offsets] == pytest.approx([0.2, 0.0, -0.2], abs=0.002)


def fault(samples: NDArray[np.float32]) -> str:
    with pytest.raises(OffsetError) as caught:
        measured(samples).result(None)
    return str(caught.value)


def test_no_tone() -> None:
    assert fault(np.zeros((RATE_HZ, 3), dtype=np.float32)).startswith("no steady tone came: ")


def test_a_tone_that_is_too_short() -> None:
    assert fault(gained(0.0, 0.0, 0.0, seconds=1.0)).startswith("no steady tone came: ")


def test_an_input_without_the_tone() -> None:
    samples = gained(0.0, 0.0, 0.0)
    samples[:, 1] = 0.0
    assert fault(samples) == "input 4 without the tone: feed it to all inputs at once"


def test_an_input_that_clips() -> None:
    samples = gained(0.0, 0.0, 0.0)
    samples[RATE_HZ, 2] = 1.0
    assert fault(samples) == "input 8 clipping: lower the tone"


def test_an_input_that_wanders() -> None:
    samples = gained(0.0, 0.0, 0.0)
    samples[:, 0] *= 1.0 + 0.01 * np.sin(2 * np.pi * 1.5 * np.arange(len(samples)) / RATE_HZ)
    assert fault(samples) == "input 3 with an unsteady tone: take it from a generator, not from tape"


def test_an_input_far_from_the_others() -> None:
    assert fault(gained(0.0, 0.1, -6.0)) == "input 8 more than 3 dB off the others: look at gain and lead"
