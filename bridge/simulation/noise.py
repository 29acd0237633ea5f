"""What is on an output besides the signal: hiss of the tape, hum, and the noise of electronics and converter.

Levels and a seed go in, samples to add come out; and how much of it a detector at one frequency picks up.

Hiss is cut anew for every tick from a store of shaped noise: where, which way up and with which track first is drawn
from the seed. That is ten times as fast as drawing every sample and sounds the same; the cuts are far enough apart for
a spectrum as flat as this.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.simulation.arrays import Envelope, Floats, Samples, counted, ratios
from bridge.simulation.transport import TICK_S
from bridge.units import ratio

HISS_CORNER_HZ: Final = 5000.0
"""Above this, hiss rises by 6 dB an octave: what is left of bias noise after reproduce equalization. Common practice,
no source."""

BAND_HZ: Final = (20.0, 20_000.0)
"""The band in which the level of a noise is stated; AES17-2015 measures idle noise up to 20 kHz too."""

HARMONICS: Final = (1.0, 0.25, 0.5, 0.12)
"""Hum at 1, 2, 3 and 4 times the mains frequency, relative to the first: odd ones from transformers, even ones from
rectifiers. Common practice, no source."""

_EDGE_HZ: Final = 24_000.0

_STORED: Final = 1 << 19
"""Samples kept of each kind of noise."""

_CUTS: Final = 1 << 16
"""Cuts are drawn once for so many ticks, then used again from the first: after eleven minutes."""


@dataclass(frozen=True, slots=True)
class Density:
    """Power density of a noise: flat up to a corner, then rising by 6 dB an octave up to `_EDGE_HZ`.

    ``rms`` is that of the band from 20 Hz to 20 kHz.
    """

    rms: float
    corner_hz: float

    def at(self, hz: Floats) -> Floats:
        """Return the one-sided density at frequencies, in squares of full scale a hertz."""
        low_hz, high_hz = BAND_HZ
        # The integral of 1 + (f / corner)^2 over the band.
        area = high_hz - low_hz + (high_hz**3 - low_hz**3) / (3.0 * self.corner_hz**2)
        rising = 1.0 + (np.minimum(hz, _EDGE_HZ) / self.corner_hz) ** 2
        density: Floats = self.rms**2 / area * rising
        return density


class Noise:
    """Hiss, hum and converter noise of all tracks.

    Parameters
    ----------
    seed : tuple of int
    tracks : int
    hiss_dbfs, converter_dbfs : float
        Rms level from 20 Hz to 20 kHz.
    hum_dbfs : float
        Level of the fundamental of hum on the middle track; the tracks differ by some dB.
    mains_hz : float
    """

    def __init__(
        self,
        seed: tuple[int, ...],
        tracks: int,
        *,
        hiss_dbfs: float,
        hum_dbfs: float,
        converter_dbfs: float,
        mains_hz: float,
    ) -> None:
        self._seed = seed
        self._tracks = tracks
        # A full-scale sine has an rms of 1/sqrt(2) and reads 0 dBFS (AES17-2015, 3.12.1).
        self._hiss = Density(ratio(hiss_dbfs) / np.sqrt(2.0), HISS_CORNER_HZ)
        self._flat = Density(ratio(converter_dbfs) / np.sqrt(2.0), math.inf)
        # The mains is one for the whole machine; how much of it a track picks up, and from where, is its own.
        rng = np.random.default_rng([*seed, 1])
        self._hum_hz: Floats = mains_hz * counted(1, len(HARMONICS))
        sizes = ratio(hum_dbfs) * ratios(3.0 * rng.standard_normal(tracks))
        turn = np.exp(2j * np.pi * rng.random((len(HARMONICS), tracks)))
        self._hum: Envelope = np.array(HARMONICS)[:, np.newaxis] * sizes * turn

    def samples(self, sample_rate_hz: int) -> "NoiseSamples":
        """Return the same noise as samples."""
        return NoiseSamples((*self._seed, 2), sample_rate_hz, (self._hiss, self._flat), self._hum_hz, self._hum)

    def spread(self, hz: float, hiss_gain: Floats) -> Floats:
        """Return the standard deviation that noise gives each part (real, imaginary) of an amplitude found in one tick.

        Of a noise with density S, a detector over T seconds finds parts with variance S / T.
        """
        at = np.array(hz)
        density: Floats = self._hiss.at(at) * hiss_gain**2 + self._flat.at(at)
        return np.sqrt(density / TICK_S)

    def rms(self, hiss_gain: Floats) -> Floats:
        """Return the rms of all of it from 20 Hz to 20 kHz, shape as ``hiss_gain``."""
        hum = 0.5 * (np.abs(self._hum) ** 2).sum(axis=0)
        power: Floats = (self._hiss.rms * hiss_gain) ** 2 + self._flat.rms**2 + hum
        return np.sqrt(power)

    def hum_found(self, hz: float, middles_s: Floats, cycles: Floats) -> Envelope:
        """Return what hum adds to an amplitude found in ticks, shape (ticks, tracks).

        Parameters
        ----------
        hz : float
            Frequency of the detector.
        middles_s, cycles : ndarray, shape (ticks,)
            Middle of each tick, and the phase of the detector there.
        """
        found = np.zeros((middles_s.size, self._tracks), dtype=np.complex128)
        for hum_hz, hum in zip(self._hum_hz, self._hum, strict=True):
            turned = np.exp(2j * np.pi * (hum_hz * middles_s - cycles)) * np.sinc((hum_hz - hz) * TICK_S)
            image = np.exp(-2j * np.pi * (hum_hz * middles_s + cycles)) * np.sinc((hum_hz + hz) * TICK_S)
            found += 1j * (turned[:, np.newaxis] * hum + image[:, np.newaxis] * hum.conj())
        return found


class NoiseSamples:
    """Samples of a `Noise`, a tick at a time."""

    def __init__(
        self,
        seed: tuple[int, ...],
        sample_rate_hz: int,
        densities: tuple[Density, Density],
        hum_hz: Floats,
        hum: Envelope,
    ) -> None:
        rng = np.random.default_rng(seed)
        self._tracks = hum.shape[1]
        self._frames = round(sample_rate_hz * TICK_S)
        # A power of two is transformed quickest.
        rows = 1 << max(_STORED // self._tracks, 1 << 15).bit_length() - 1
        # Hiss, which depends on the gain of a track, and noise that does not.
        self._stores = [_store(rng, (rows, self._tracks), sample_rate_hz, density) for density in densities]
        self._starts = rng.integers(0, rows - self._frames, (2, _CUTS))
        self._turns = rng.integers(0, self._tracks, (2, _CUTS))
        self._signs = rng.choice(np.array([-1.0, 1.0]), (2, _CUTS))
        self._hum_hz, self._hum = hum_hz, hum
        angle = 2.0 * np.pi * np.multiply.outer(counted(0, self._frames) / sample_rate_hz, hum_hz)
        self._table: Samples = np.concatenate((np.cos(angle), -np.sin(angle)), axis=1).astype(np.float32)

    def in_tick(self, tick: int, hiss_gain: Floats) -> Samples:
        """Return the noise of one tick, shape (frames, tracks); ``hiss_gain`` is a factor for each track."""
        hum = self._hum * np.exp(2j * np.pi * self._hum_hz * (tick * TICK_S))[:, np.newaxis]
        samples: Samples = self._table @ np.concatenate((hum.real, hum.imag)).astype(np.float32)
        cut = tick % _CUTS
        for number, gain in enumerate((hiss_gain, np.ones(1))):
            row, column = self._starts[number, cut], self._turns[number, cut]
            noise = self._stores[number][row : row + self._frames, column : column + self._tracks]
            samples += noise * (self._signs[number, cut] * gain).astype(np.float32)
        return samples


def _store(rng: np.random.Generator, shape: tuple[int, int], sample_rate_hz: int, density: Density) -> Samples:
    """Return noise of a density, shape (rows, 2 x tracks): all tracks once, and once again."""
    rows, tracks = shape
    # White noise of unit variance has the one-sided density 2 / sample rate.
    amplitude = np.sqrt(density.at(counted(0, rows // 2 + 1) * (sample_rate_hz / rows)) * sample_rate_hz / 2.0)
    stored = np.empty((rows, 2 * tracks), dtype=np.float32)
    for track in range(tracks):
        stored[:, track] = np.fft.irfft(np.fft.rfft(rng.standard_normal(rows)) * amplitude, rows)
    stored[:, tracks:] = stored[:, :tracks]
    return stored
