"""The meter: blocks of samples in, the levels of all inputs out, 100 times a second of sound.

Samples are cut anew into pieces of 10 ms counted from the first sample, so the same samples give the same levels
whatever the size of the blocks they came in.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.metering.ballistics import Ballistics
from bridge.metering.history import History
from bridge.metering.levels import Levels
from bridge.metering.tone import HOP_S, HOPS, ToneTracker
from bridge.source.block import Block
from bridge.units import SILENCE_DB, ratio

CLIPPED: Final = 32767.0 / 32768.0
"""The largest positive sample of 16 bits: what reaches it, in any word length, is at full scale."""

SILENCE: Final = ratio(SILENCE_DB)

RMS_WINDOW_S: Final = 0.3

DC_SHARE: Final = 0.01
"""Share of each measurement in the running mean of an input, taken twice: it follows an offset within some seconds, and
no tone from 20 Hz up moves it by more than a ten-thousandth of its level."""

LEAST_DC: Final = 3e-5
"""An offset of −90 dBFS: below it nothing is read differently by 0.01 dB, down to −30 VU."""

GAP_S: Final = 0.25
"""Lost samples for longer than this make what was measured before worthless; a shorter gap the windows bear."""


class Meter:
    """Measures all inputs of a source.

    Parameters
    ----------
    sample_rate_hz : int
    inputs : int
    """

    def __init__(self, sample_rate_hz: int, inputs: int) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._inputs = inputs
        self._hop_frames = round(HOP_S * sample_rate_hz)
        self.frames = HOPS * self._hop_frames
        """Samples in a measurement."""
        self._rms_measurements = round(RMS_WINDOW_S * sample_rate_hz / self.frames)
        # Rows of several samples each are compared many times quicker than rows of one.
        self._fold = max(n for n in range(1, 33) if self.frames % n == 0)
        self._squared = np.empty((self.frames, inputs), dtype=np.float32)
        self._ones = np.full(self.frames, 1.0 / self.frames, dtype=np.float32)
        self._partial = np.empty((self.frames, inputs), dtype=np.float32)
        self._centred = np.empty((self.frames, inputs), dtype=np.float32)
        self._amplitudes = np.empty((3, inputs))
        self._restart(0)

    def _restart(self, first_frame: int) -> None:
        self._ballistics = Ballistics(self._sample_rate_hz, self._inputs)
        self._tone = ToneTracker(self._sample_rate_hz, self._inputs, self._hop_frames)
        self._power: History[np.float64] = History(self._rms_measurements, self._inputs, np.float64)
        self._mean = np.zeros(self._inputs, dtype=np.float32)
        self._dc = np.zeros(self._inputs, dtype=np.float32)
        self._filled = 0
        self._measurements = 0
        self._next_frame = first_frame

    def push(self, block: Block) -> list[Levels]:
        """Take the next block; return the levels that became known with it, oldest first."""
        samples = block.samples
        if block.first_frame != self._next_frame:
            if abs(block.first_frame - self._next_frame) > GAP_S * self._sample_rate_hz:
                self._restart(block.first_frame)
            self._filled = 0
        self._next_frame = block.end_frame
        measured: list[Levels] = []
        start = 0
        while start < samples.shape[0]:
            if self._filled == 0 and samples.shape[0] - start >= self.frames:
                piece = samples[start : start + self.frames]
                start += self.frames
            else:
                taken = min(self.frames - self._filled, samples.shape[0] - start)
                self._partial[self._filled : self._filled + taken] = samples[start : start + taken]
                self._filled += taken
                start += taken
                if self._filled < self.frames:
                    break
                self._filled = 0
                piece = self._partial
            end_frame = block.first_frame + start
            behind_ns = round((block.end_frame - end_frame) * 1e9 / self._sample_rate_hz)
            measured.append(self._measure(piece, end_frame, block.captured_ns - behind_ns))
        return measured

    def _measure(self, samples: NDArray[np.float32], end_frame: int, captured_ns: int) -> Levels:
        self._measurements += 1
        self._mean += DC_SHARE * (self._ones.dot(samples) - self._mean)
        self._dc += DC_SHARE * (self._mean - self._dc)
        if np.abs(self._dc).max() > LEAST_DC:
            # A volume indicator is coupled by a transformer; clipping is what the converter sees.
            highest = np.abs(samples).max(axis=0)
            samples = np.subtract(samples, self._dc, out=self._centred)
            self._ballistics.push(samples)
        else:
            self._ballistics.push(samples)
            folded = self._ballistics.rectified.reshape(-1, self._fold * self._inputs).max(axis=0)
            highest = folded.reshape(self._fold, self._inputs).max(axis=0)
        np.multiply(samples, samples, out=self._squared)
        power = self._ones.dot(self._squared).astype(np.float64)
        self._power.append(power)
        tone = self._tone.push(samples, power)
        excess = self._tone.excess()
        if excess is not None:
            self._ballistics.correct(-excess)
        rms_over = min(self._rms_measurements, self._measurements)
        needle, peak, rms = self._amplitudes
        needle[:] = self._ballistics.position
        peak[:] = highest
        # A full-scale sine has a mean square of 1/2 and reads 0 dBFS.
        np.sqrt(2.0 / rms_over * self._power.last(rms_over).sum(axis=0), out=rms)
        vu_dbfs, peak_dbfs, rms_dbfs = 20.0 * np.log10(np.maximum(self._amplitudes, SILENCE))
        return Levels(
            end_frame=end_frame,
            captured_ns=captured_ns,
            tone_hz=tone.hz,
            tone_s=tone.elapsed_s,
            vu_dbfs=vu_dbfs,
            tone_dbfs=tone.level_dbfs,
            fine_dbfs=tone.fine_dbfs,
            spread_db=tone.spread_db,
            tone_share=tone.share,
            phase_rad=tone.phase_rad,
            peak_dbfs=peak_dbfs,
            clipped=highest >= CLIPPED,
            rms_dbfs=rms_dbfs,
        )
