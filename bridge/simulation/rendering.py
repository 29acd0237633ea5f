"""Samples of a recorder: a recorder goes in, blocks of any size come out, the same however they are cut.

Samples are made a tick at a time; a tick is always made in the same way, so cuts between blocks leave no trace.
"""

import numpy as np

from bridge.simulation.arrays import Floats, Samples, counted, ratios
from bridge.simulation.recorder import Recorder, Run
from bridge.simulation.tape import Passage
from bridge.simulation.transport import TICK_S
from bridge.simulation.trimmers import POINTS_A_TICK


class Renderer:
    """Makes the samples of all tracks.

    Parameters
    ----------
    recorder : Recorder
    """

    def __init__(self, recorder: Recorder) -> None:
        self._recorder = recorder
        self._frames = recorder.frames_a_tick
        self._offsets_s: Floats = counted(0, self._frames) / recorder.sample_rate_hz
        self._noise = recorder.noise.samples(recorder.sample_rate_hz)
        self._table = recorder.flutter.table(self._offsets_s)
        # From the five points of a tick to its samples, on straight lines.
        place = counted(0, self._frames) * (POINTS_A_TICK / self._frames)
        self._lines: Samples = np.maximum(
            1.0 - np.abs(place[:, np.newaxis] - np.arange(POINTS_A_TICK + 1)), 0.0
        ).astype(np.float32)
        self._kept: tuple[int, Samples] | None = None

    def render(self, first_frame: int, frames: int) -> Samples:
        """Return samples of all tracks.

        Parameters
        ----------
        first_frame : int
            0 is the start of the simulation. Commands to the recorder must not reach back into ticks rendered before.
        frames : int

        Returns
        -------
        ndarray of float32, shape (frames, tracks)
            Full scale is ±1; louder samples are cut off there, as a converter does.
        """
        samples = np.empty((frames, self._recorder.tracks), dtype=np.float32)
        done = 0
        while done < frames:
            tick, start = divmod(first_frame + done, self._frames)
            taken = min(self._frames - start, frames - done)
            samples[done : done + taken] = self._tick(tick)[start : start + taken]
            done += taken
        return samples

    def next_free_tick(self, first_frame: int) -> int:
        """Return the first tick that no frame before ``first_frame`` belongs to: where a command may take effect."""
        return -(-first_frame // self._frames)

    def _tick(self, tick: int) -> Samples:
        if self._kept is None or self._kept[0] != tick:
            self._kept = (tick, self._made(tick))
        return self._kept[1]

    def _made(self, tick: int) -> Samples:
        recorder = self._recorder
        run = Run(recorder.transport.segment(tick), recorder.path_at(tick), tick, 1)
        start_s = tick * TICK_S
        positions_s = recorder.transport.positions_in_tick_s(run.segment, start_s, self._offsets_s, self._table)
        hiss_gain = recorder.hiss_gain(run, positions_s[:1])[0]
        samples = self._noise.in_tick(tick, hiss_gain)
        if run.plays:
            for passage in recorder.content.between(float(positions_s[0]), float(positions_s[-1])):
                if passage.kind in ("tone", "sweep"):
                    self._add_tone(samples, passage, run, positions_s)
                elif passage.sound is not None:
                    self._add_sound(samples, passage, run, positions_s)
        return np.clip(samples, -1.0, 1.0, out=samples)

    def _add_tone(self, samples: Samples, passage: Passage, run: Run, positions_s: Floats) -> None:
        envelope = self._recorder.envelope(passage, run)
        cycles = passage.cycles(positions_s)
        angle = 2.0 * np.pi * (cycles - np.floor(cycles))
        along = self._lines @ np.concatenate((envelope.real, envelope.imag), axis=1).astype(np.float32)
        tracks = samples.shape[1]
        samples += along[:, :tracks] * np.sin(angle).astype(np.float32)[:, np.newaxis]
        samples += along[:, tracks:] * np.cos(angle).astype(np.float32)[:, np.newaxis]

    def _add_sound(self, samples: Samples, passage: Passage, run: Run, positions_s: Floats) -> None:
        gain = sound_gain(self._recorder, passage, run)
        heard = sound_at(passage, positions_s)
        samples += heard.astype(np.float32)[:, np.newaxis] * gain.astype(np.float32)


def sound_at(passage: Passage, positions_s: Floats) -> Floats:
    """Return the samples of a sound passage, faded in and out."""
    if passage.sound is None:
        return np.zeros_like(positions_s)
    return passage.sound.at(positions_s - passage.start_s) * passage.gate(positions_s)


def sound_gain(recorder: Recorder, passage: Passage, run: Run) -> Floats:
    """Return the gain of each track for a sound, shape (tracks,).

    Speech gets the gain of 1 kHz, without wander and dropouts: it is there to be told from a tone, not to be measured.
    """
    reading_vu = recorder.noiseless_vu(
        Passage("tone", 1.0, 1000.0, passage.level_db), run.path, run.first_tick * POINTS_A_TICK
    )
    return ratios(reading_vu + recorder.reference_dbfs)
