"""Levels without samples: a recorder goes in, the level of the tone on each track in each tick comes out.

Some thousand times as fast as real time, from the same envelope that the samples are made of, with the wander, the
dropouts and the scatter that noise would give a detector over one tick. What it leaves out: the detector's own errors
(images of the tone, leakage of speech), and the needle.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from bridge.simulation.arrays import Envelope, Floats, counted
from bridge.simulation.recorder import Recorder, Run
from bridge.simulation.rendering import sound_at, sound_gain
from bridge.simulation.tape import Passage
from bridge.simulation.transport import TICK_S
from bridge.simulation.trimmers import POINTS_A_TICK
from bridge.units import SILENCE_DB

_AT_ONCE: Final = 1000
"""Ticks worked on at once, and the noise of so many is drawn together: what is asked for changes neither."""


@dataclass(frozen=True, slots=True, eq=False)
class TickLevels:
    """The tone on each track, tick by tick.

    Parameters
    ----------
    first_tick : int
        Tick k lasts from k to k + 1 hundredths of a second after the start of the simulation.
    tone_hz : ndarray, shape (ticks,)
        Frequency as it is heard, with speed error and flutter; 0 while no tone plays for at least half of the tick.
    tone_dbfs : ndarray, shape (ticks, tracks)
        Level of the tone as a detector over this tick finds it; `SILENCE_DB` while no tone plays.
    phase_rad : ndarray, shape (ticks, tracks)
        Phase of the tone against that of the passage on the tape; NaN while no tone plays.
    other_dbfs : ndarray, shape (ticks, tracks)
        Rms level of everything else on the output, 20 Hz to 20 kHz.
    """

    first_tick: int
    tone_hz: Floats
    tone_dbfs: Floats
    phase_rad: Floats
    other_dbfs: Floats


def render_levels(recorder: Recorder, first_tick: int, ticks: int) -> TickLevels:
    """Return the levels of some ticks; the same ticks have the same levels however they are asked for, to rounding.

    Parameters
    ----------
    recorder : Recorder
    first_tick, ticks : int

    Returns
    -------
    TickLevels
    """
    tracks = recorder.tracks
    amplitude: Envelope = np.zeros((ticks, tracks), dtype=np.complex128)
    tone_hz = np.zeros(ticks)
    other_power = np.zeros((ticks, tracks))
    for run in _pieces(recorder, first_tick, ticks):
        here = slice(run.first_tick - first_tick, run.first_tick - first_tick + run.ticks)
        edges_s = recorder.transport.positions_s(run.segment, counted(run.first_tick, run.ticks + 1) * TICK_S)
        hiss_gain = recorder.hiss_gain(run, edges_s[:-1])
        other_power[here] = recorder.noise.rms(hiss_gain) ** 2
        if not run.plays:
            continue
        for passage in recorder.content.between(float(edges_s[0]), float(edges_s[-1])):
            begin = int(np.searchsorted(edges_s[1:], passage.start_s, side="right"))
            end = int(np.searchsorted(edges_s[:-1], passage.end_s, side="left"))
            if begin >= end or passage.kind == "pause":
                continue
            part = replace(run, first_tick=run.first_tick + begin, ticks=end - begin)
            place = slice(here.start + begin, here.start + end)
            passing_s = edges_s[begin : end + 1]
            if passage.kind == "sound":
                other_power[place] += _sound_power(recorder, passage, part, passing_s)
                continue
            found, heard_hz = _tone(recorder, passage, part, passing_s)
            spread = recorder.noise.spread(recorder.played_hz(passage), hiss_gain[begin:end])
            found += spread * _scatter(recorder, part.first_tick, part.ticks)
            playing = passage.gate(0.5 * (passing_s[:-1] + passing_s[1:])) >= 0.5
            amplitude[place][playing] = found[playing]
            tone_hz[place][playing] = heard_hz[playing]
    sounding = tone_hz > 0.0
    size = np.abs(amplitude)
    floor = 10.0 ** (SILENCE_DB / 20.0)
    return TickLevels(
        first_tick=first_tick,
        tone_hz=tone_hz,
        tone_dbfs=20.0 * np.log10(np.maximum(size, floor)),
        phase_rad=np.where(sounding[:, np.newaxis], np.angle(amplitude), np.nan),
        # A full-scale sine has a mean square of 1/2 and reads 0 dBFS (AES17-2015, 3.12.1).
        other_dbfs=10.0 * np.log10(np.maximum(2.0 * other_power, floor**2)),
    )


def _pieces(recorder: Recorder, first_tick: int, ticks: int) -> Iterator[Run]:
    """Yield the runs in pieces of `_AT_ONCE` ticks at most."""
    for run in recorder.runs(first_tick, ticks):
        end = run.first_tick + run.ticks
        for begin in range(run.first_tick, end, _AT_ONCE):
            yield replace(run, first_tick=begin, ticks=min(_AT_ONCE, end - begin))


def _tone(recorder: Recorder, passage: Passage, run: Run, edges_s: Floats) -> tuple[Envelope, Floats]:
    """Return the amplitude of a tone or sweep in each tick without noise, but with hum, and its frequency."""
    ticks = counted(run.first_tick, run.ticks)
    cycles = passage.cycles(edges_s)
    heard_hz = np.diff(cycles) / TICK_S
    if passage.kind == "sweep":
        parts = [recorder.envelope(passage, replace(run, first_tick=int(tick), ticks=1)) for tick in ticks]
        return np.concatenate([_mean(part) for part in parts]), heard_hz
    mean = _mean(recorder.envelope(passage, run))
    middles = 0.5 * (cycles[:-1] + cycles[1:])
    return mean + recorder.noise.hum_found(recorder.played_hz(passage), (ticks + 0.5) * TICK_S, middles), heard_hz


def _mean(envelope: Envelope) -> Envelope:
    """Return the mean over each tick of what runs straight between its points, shape (ticks, tracks)."""
    lines = 0.5 * (envelope[:-1] + envelope[1:])
    mean: Envelope = lines.reshape(-1, POINTS_A_TICK, envelope.shape[1]).mean(axis=1)
    return mean


def _sound_power(recorder: Recorder, passage: Passage, run: Run, edges_s: Floats) -> Floats:
    """Return the mean square of a sound in each tick on each track."""
    if passage.sound is None:
        return np.zeros((edges_s.size - 1, recorder.tracks))
    points = math.ceil(passage.sound.sample_rate_hz * TICK_S)
    within = counted(0, points) / points
    positions_s = edges_s[:-1, np.newaxis] + np.diff(edges_s)[:, np.newaxis] * within
    power = (sound_at(passage, positions_s) ** 2).mean(axis=1)
    heard: Floats = np.multiply.outer(power, sound_gain(recorder, passage, run) ** 2)
    return heard


def _scatter(recorder: Recorder, first_tick: int, ticks: int) -> Envelope:
    """Return the noise of some ticks with parts of unit variance, shape (ticks, tracks)."""
    drawn = []
    tick = first_tick
    while tick < first_tick + ticks:
        stretch, start = divmod(tick, _AT_ONCE)
        taken = min(_AT_ONCE - start, first_tick + ticks - tick)
        rng = np.random.default_rng([recorder.seed, 7, stretch])
        parts = rng.standard_normal((_AT_ONCE, recorder.tracks, 2))[start : start + taken]
        drawn.append(parts[..., 0] + 1j * parts[..., 1])
        tick += taken
    return np.concatenate(drawn)
