"""Signals for the meters, made with numpy and scipy alone."""

import math
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from bridge.metering.levels import Levels
from bridge.metering.meter import Meter
from bridge.source.block import Block

BAND_HZ = 20_000.0


def tone(
    sample_rate_hz: int,
    hz: float,
    seconds: float,
    *,
    level_dbfs: float = -18.0,
    phase_rad: float = 0.3,
    flutter: float = 0.0,
    flutter_hz: float = 4.0,
    signal_to_noise_db: float = math.inf,
    inputs: int = 3,
    seed: int = 0,
) -> NDArray[np.float32]:
    """A tone on all inputs, with frequency modulation of relative peak size ``flutter`` and noise in 20 kHz."""
    n = np.arange(round(seconds * sample_rate_hz))
    turn = 2 * np.pi * hz * n / sample_rate_hz
    turn += hz * flutter / flutter_hz * np.sin(2 * np.pi * flutter_hz * n / sample_rate_hz)
    amplitude = 10 ** (level_dbfs / 20)
    samples = amplitude * np.cos(turn[:, None] + phase_rad + np.arange(inputs))
    if math.isfinite(signal_to_noise_db):
        rms = amplitude / math.sqrt(2) * 10 ** (-signal_to_noise_db / 20) * math.sqrt(sample_rate_hz / 2 / BAND_HZ)
        samples = samples + rms * np.random.default_rng(seed).standard_normal(samples.shape)
    return samples.astype(np.float32)


def blocks(samples: NDArray[np.float32], sample_rate_hz: int, sizes: Iterable[int]) -> Iterator[Block]:
    """Cut samples into blocks of these sizes; the last size goes on for ever."""
    start = 0
    waiting = iter(sizes)
    size = 512
    while start < len(samples):
        size = next(waiting, size)
        part = samples[start : start + size]
        yield Block(part, start, round((start + len(part)) * 1e9 / sample_rate_hz))
        start += size


def measure(samples: NDArray[np.float32], sample_rate_hz: int, sizes: Iterable[int] = (512,)) -> list[Levels]:
    meter = Meter(sample_rate_hz, samples.shape[1])
    return [levels for block in blocks(samples, sample_rate_hz, sizes) for levels in meter.push(block)]
