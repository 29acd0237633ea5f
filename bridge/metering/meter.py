"""The meter: blocks of samples in, the levels of all inputs out, 100 times a second of sound.

Samples are cut anew into hops of 5 ms counted from the first sample, so the same samples give the same levels whatever
the size of the blocks they came in.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.metering.ballistics import Ballistics
from bridge.metering.history import History
from bridge.metering.levels import Levels
from bridge.metering.tone import HOP_S, HOPS_A_MEASUREMENT, ToneTracker
from bridge.source.block import Block
from bridge.units import SILENCE_DB

CLIPPED: Final = 32767.0 / 32768.0
"""The largest positive sample of 16 bits: what reaches it, in any word length, is at full scale."""

RMS_WINDOW_S: Final = 0.3

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
        self.hop_frames = round(HOP_S * sample_rate_hz)
        self._rms_hops = round(RMS_WINDOW_S / HOP_S)
        # Rows of several samples each are compared and added many times quicker than rows of one.
        self._fold = max(n for n in range(1, 33) if self.hop_frames % n == 0)
        self._squared = np.empty((self.hop_frames, inputs), dtype=np.float32)
        self._ones = np.full(self.hop_frames, 1.0 / self.hop_frames, dtype=np.float32)
        self._partial = np.empty((self.hop_frames, inputs), dtype=np.float32)
        self._restart(0)

    def _restart(self, first_frame: int) -> None:
        self._ballistics = Ballistics(self._sample_rate_hz, self._inputs)
        self._tone = ToneTracker(self._sample_rate_hz, self._inputs, self.hop_frames)
        self._power: History[np.float64] = History(self._rms_hops, self._inputs, np.float64)
        self._peak = np.zeros(self._inputs, dtype=np.float32)
        self._filled = 0
        self._hops = 0
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
            if self._filled == 0 and samples.shape[0] - start >= self.hop_frames:
                hop = samples[start : start + self.hop_frames]
                start += self.hop_frames
            else:
                taken = min(self.hop_frames - self._filled, samples.shape[0] - start)
                self._partial[self._filled : self._filled + taken] = samples[start : start + taken]
                self._filled += taken
                start += taken
                if self._filled < self.hop_frames:
                    break
                self._filled = 0
                hop = self._partial
            self._hop(hop)
            if self._hops % HOPS_A_MEASUREMENT == 0:
                end_frame = block.first_frame + start
                behind_ns = round((block.end_frame - end_frame) * 1e9 / self._sample_rate_hz)
                measured.append(self._measure(end_frame, block.captured_ns - behind_ns))
        return measured

    def _hop(self, hop: NDArray[np.float32]) -> None:
        self._ballistics.push(hop)
        folded = self._ballistics.rectified.reshape(self.hop_frames // self._fold, -1)
        peak = folded.max(axis=0).reshape(self._fold, self._inputs).max(axis=0)
        np.maximum(self._peak, peak, out=self._peak)
        np.multiply(hop, hop, out=self._squared)
        power = self._ones.dot(self._squared).astype(np.float64)
        self._power.append(power)
        excess = self._tone.push(hop, power, self._hops)
        if excess is not None:
            self._ballistics.correct(-excess)
        self._hops += 1

    def _measure(self, end_frame: int, captured_ns: int) -> Levels:
        tone = self._tone.measure()
        power = self._power.last(self._rms_hops).sum(axis=0) / min(self._rms_hops, self._hops)
        levels = Levels(
            end_frame=end_frame,
            captured_ns=captured_ns,
            tone_hz=tone.hz,
            tone_s=tone.elapsed_s,
            vu_dbfs=_level_db(self._ballistics.position),
            tone_dbfs=tone.level_dbfs,
            fine_dbfs=tone.fine_dbfs,
            spread_db=tone.spread_db,
            tone_share=tone.share,
            phase_rad=tone.phase_rad,
            peak_dbfs=_level_db(self._peak),
            clipped=self._peak >= CLIPPED,
            # A full-scale sine has a mean square of 1/2 and reads 0 dBFS.
            rms_dbfs=_level_db(np.sqrt(2.0 * power)),
        )
        self._peak = np.zeros(self._inputs, dtype=np.float32)
        return levels


def _level_db(amplitude: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return amplitudes in dB; nothing is `SILENCE_DB`."""
    floor = 10.0 ** (SILENCE_DB / 20.0)
    level_db: NDArray[np.float64] = 20.0 * np.log10(np.maximum(amplitude.astype(np.float64), floor))
    return level_db
