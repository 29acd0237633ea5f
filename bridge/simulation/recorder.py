"""The recorder: a machine, a tape and its condition go in; samples of all tracks come out, or only their levels.

What the tape holds passes the heads (contact, dropouts, azimuth, crosstalk), then the electronics with their trimmers,
and noise is added. Everything that changes a level is one complex envelope for each track, sampled at four points a
tick and straight in between; samples and levels are both made from it, so they agree.

Nothing here has a clock: commands carry the tick at which they take effect, and any stretch of time may be asked for,
in any order, as often as one likes, as long as no command is given for a time that was asked for already.
"""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.simulation.arrays import Envelope, Floats, counted, ratios
from bridge.simulation.channels import Channels
from bridge.simulation.condition import Condition
from bridge.simulation.dropouts import Dropouts
from bridge.simulation.flutter import Flutter
from bridge.simulation.noise import Noise
from bridge.simulation.slow import SlowProcess
from bridge.simulation.tape import Passage, Sound, TapeContent
from bridge.simulation.transport import TICK_S, TICKS_PER_S, Segment, Transport
from bridge.simulation.trimmers import PATHS, POINT_S, POINTS_A_TICK, Panel, split
from bridge.tape.calibration_tape import CalibrationTape
from bridge.tape.losses import spacing_loss_db
from bridge.tape.machine import Adjustment, Machine, Path
from bridge.tape.targets import StepRequest, compute_target, default_speed_ips
from bridge.tape.wavelength import mm_per_s, wavelength_um
from bridge.units import ratio

USUAL_WIDTH_MM: Final = 0.94
USUAL_PITCH_MM: Final = 2.11
"""Of a 24-track head for two-inch tape, from memory; used where the machine's own are not known."""

TURN_TICKS: Final = 3
"""A turn by remote command takes so long."""


@dataclass(frozen=True, slots=True)
class Run:
    """Ticks in which neither the motion of the tape nor the path changes; ``path`` is −1 for the inputs."""

    segment: Segment
    path: int
    first_tick: int
    ticks: int

    @property
    def plays(self) -> bool:
        """Whether the tape is heard."""
        return self.segment.motion == "play" and self.path >= 0


class Recorder:
    """A simulated tape recorder with a calibration tape on it.

    Parameters
    ----------
    machine : Machine
    tape : CalibrationTape
    condition : Condition
        What is wrong with it.
    seed : int
        0 or above. The same seed gives the same recorder, at any sample rate.
    sample_rate_hz : int
        A multiple of 100.
    reference_dbfs : float
        The level of a sine that reads 0 VU.
    speed_ips : float or None
        Speed at which the machine runs; None = that of the tape, if the machine has it, or else its first.
    content : TapeContent or None
        What is on the tape; None = the tones of ``tape`` with pauses, and with ``announcements`` where there are any.
    announcements : sequence of Sound
    found_db : ndarray, shape (2 paths, 3 kinds, tracks), or None
        How far each trimmer is from where it belongs; None = drawn.
    panel : Panel or None
        The trimmers of another recorder of the same machine, seed and speed, with another tape; None = its own.

    Raises
    ------
    ValueError
        For a sample rate that is not a multiple of 100.
    """

    def __init__(
        self,
        machine: Machine,
        tape: CalibrationTape,
        condition: Condition | None = None,
        *,
        seed: int = 1,
        sample_rate_hz: int = 48_000,
        reference_dbfs: float = -18.0,
        speed_ips: float | None = None,
        content: TapeContent | None = None,
        announcements: Sequence[Sound] = (),
        found_db: Floats | None = None,
        panel: Panel | None = None,
    ) -> None:
        if sample_rate_hz <= 0 or sample_rate_hz % TICKS_PER_S:
            raise ValueError(f"the sample rate must be a multiple of {TICKS_PER_S} Hz, not {sample_rate_hz}")
        self.machine: Final = machine
        self.tape: Final = tape
        self.condition: Final = condition or Condition()
        self.seed: Final = seed
        self.sample_rate_hz: Final = sample_rate_hz
        self.reference_dbfs: Final = reference_dbfs
        self.tracks: Final = machine.tracks
        self.content: Final = content or TapeContent.laid_out(tape, announcements=tuple(announcements))
        self.speed_ips: Final = speed_ips or default_speed_ips(machine, tape)
        self.frames_a_tick: Final = sample_rate_hz // TICKS_PER_S

        condition = self.condition
        self.faster: Final = self.speed_ips / tape.speed_ips
        """How much faster the tape runs than it was made for; its tones are heard higher by that."""
        self._rate = self.faster * (1.0 + condition.speed_error)
        speed = machine.speed(self.speed_ips)
        self._curve = speed.equalization if speed else tape.equalization.played_faster(self.faster)
        self.channels: Final = Channels(
            (seed, 1),
            self.tracks,
            condition,
            hf_us=self._curve.hf_us,
            speed_ips=self.speed_ips,
            found_db=found_db,
        )
        own = Panel((seed, 2), self.channels.found, condition.backlash, condition.scratch)
        self.panel: Final = own if panel is None else panel
        self.flutter: Final = Flutter(
            np.random.default_rng([seed, 3]), condition.flutter_weighted_peak, mm_per_s(self.speed_ips)
        )
        self.transport: Final = Transport(self.flutter, self.content.length_s, self._rate)
        self.dropouts: Final = Dropouts((seed, 4), self.tracks, condition.dropouts_per_minute)
        self.noise: Final = Noise(
            (seed, 5),
            self.tracks,
            hiss_dbfs=reference_dbfs + condition.hiss_db,
            hum_dbfs=reference_dbfs + condition.hum_db,
            converter_dbfs=condition.converter_noise_dbfs,
            mains_hz=condition.mains_hz,
        )
        rng = np.random.default_rng([seed, 6])
        self._coating, self._contact = (
            SlowProcess(
                rng,
                self.tracks,
                corner_hz=condition.wander_corner_hz,
                neighbours=condition.neighbour_correlation,
            )
            for _ in range(2)
        )
        self._weave = SlowProcess(rng, 1, corner_hz=condition.wander_corner_hz)
        self._azimuth_rad = 1e-6 * condition.azimuth_urad * np.array([1.0, rng.choice([-1.0, 1.0])])
        self._width_mm = machine.track_width_mm or USUAL_WIDTH_MM
        pitch_mm = machine.track_pitch_mm or max(USUAL_PITCH_MM, self._width_mm)
        self._across_mm: Floats = (counted(0, self.tracks) - (self.tracks - 1) / 2.0) * pitch_mm
        self._paths: list[tuple[int, int]] = [(0, 0)]
        self._playback: list[tuple[float, float]] = [(0.0, 0.0)]
        self._tape_vu: dict[tuple[float, float], float] = {}

    # Commands

    def turn(self, track: int, adjustment: Adjustment, delta: float, at_tick: int) -> None:
        """Turn one trimmer by a share of its travel, evenly over `TURN_TICKS`; ``track`` counts from 1.

        Raises
        ------
        ValueError
            For a track or a trimmer that is not there, or one that is still being turned.
        """
        path, kind = split(adjustment)
        if not 1 <= track <= self.tracks:
            raise ValueError(f"track {track} is not on the machine: it has tracks 1 to {self.tracks}")
        shaft = self.panel.shaft(path, kind, track - 1)
        ramp = np.linspace(shaft, shaft + delta, TURN_TICKS * POINTS_A_TICK + 1)
        self.panel.turn(path, kind, track - 1, ramp, at_tick * POINTS_A_TICK)

    def select_path(self, path: Path, at_tick: int) -> None:
        """Feed the outputs from the repro head, from the sync head, or from the inputs, on which there is nothing."""
        self._paths = [(tick, index) for tick, index in self._paths if tick < at_tick]
        self._paths.append((at_tick, PATHS.index(path) if path != "input" else -1))

    def set_playback(self, gain_db: float, at_tick: int, ramp_s: float = 0.3) -> None:
        """Change the level of all tracks together, as when a hand is on the monitor or on the interface."""
        start_s = at_tick * TICK_S
        now_db = float(self.playback_db(np.array([start_s]))[0])
        self._playback = [(second, db) for second, db in self._playback if second < start_s]
        self._playback += [(start_s, now_db), (start_s + max(ramp_s, POINT_S), gain_db)]

    # What is

    def path_at(self, tick: int) -> int:
        """Return the path in a tick as an index into `PATHS`; −1 for the inputs."""
        return next(index for at_tick, index in reversed(self._paths) if at_tick <= tick)

    def position_s(self, tick: int) -> float:
        """Return where the tape is at the beginning of a tick."""
        return float(self.transport.positions_s(self.transport.segment(tick), np.array([tick * TICK_S]))[0])

    def playback_db(self, seconds: Floats) -> Floats:
        """Return the gain that all tracks have in common."""
        moments, levels_db = zip(*self._playback, strict=True)
        gain_db: Floats = np.interp(seconds, moments, levels_db)
        return gain_db

    def played_hz(self, passage: Passage, position_s: float | None = None) -> float:
        """Return the frequency at which a passage is heard, with the speed error."""
        return passage.hz_at(passage.start_s if position_s is None else position_s) * self._rate

    def tape_vu(self, passage: Passage, position_s: float | None = None) -> float:
        """Return what a perfect track reads of a tone: its target."""
        hz = passage.hz_at(passage.start_s if position_s is None else position_s) * self.faster
        key = (hz, passage.level_db)
        if key not in self._tape_vu:
            request = StepRequest("repro level", hz, self.speed_ips, tone_level_db=passage.level_db)
            target = compute_target(request, self.machine, self.tape)
            # A tone that the tape's list lacks is taken there for one at the reference fluxivity.
            lacking_db = passage.level_db - target.terms_db["tape_level"]
            self._tape_vu[key] = target.target_vu + lacking_db
        return self._tape_vu[key]

    def noiseless_vu(self, passage: Passage, path: int, point: int) -> Floats:
        """Return the level of each track at a point of time without wander, dropouts, weave and noise: the truth.

        Returns
        -------
        ndarray, shape (tracks,)
            In VU.
        """
        seconds = np.array([point * POINT_S])
        hz = self.played_hz(passage)
        field = self._field(path, hz, np.zeros((1, self.tracks)), np.zeros(1))
        electric_db = self._electric_db(passage, path, passage.start_s, seconds, self.panel.angles(path, point, 1))
        levels_vu: Floats = 20.0 * np.log10(np.abs(field[0])) + electric_db[0] - self.reference_dbfs
        return levels_vu

    def wander_db(self, passage: Passage, seconds: Floats) -> Floats:
        """Return the wander of each track at given moments, shape (moments, tracks)."""
        lift_db = -spacing_loss_db(self._wavelength_um(self.played_hz(passage)), self.condition.spacing_wander_um)
        wander: Floats = self.condition.level_wander_db * self._coating.at(seconds) + lift_db * self._contact.at(
            seconds
        )
        return wander

    def hiss_gain(self, run: Run, positions_s: Floats) -> Floats:
        """Return by what factor each track lets the hiss of the tape through.

        ``positions_s`` are the places at the beginning of each tick of the run; the shape is (ticks, tracks).
        """
        if not run.plays:
            return np.zeros((positions_s.size, self.tracks))
        on_tape = positions_s < self.content.length_s
        points = (run.ticks - 1) * POINTS_A_TICK + 1
        angles = self.panel.angles(run.path, run.first_tick * POINTS_A_TICK, points)[::POINTS_A_TICK]
        return on_tape[:, np.newaxis] * ratios(self.channels.response_db(run.path, 1000.0, angles))

    def runs(self, first_tick: int, ticks: int) -> Iterator[Run]:
        """Yield the stretches of a range of ticks in which neither the motion of the tape nor the path changes."""
        for segment, start, length in self.transport.runs(first_tick, ticks):
            changes = [start, *(tick for tick, _ in self._paths if start < tick < start + length), start + length]
            for begin, end in itertools.pairwise(changes):
                yield Run(segment, self.path_at(begin), begin, end - begin)

    def envelope(self, passage: Passage, run: Run) -> Envelope:
        """Return the complex amplitude of a tone on each track, at the points of some ticks and their end.

        A track's samples are the imaginary part of this times exp(2 pi j cycles), where the cycles are those of the
        passage at the head. Of a sweep only one tick may be asked for.

        Returns
        -------
        ndarray, shape (4 ticks + 1, tracks)
            Full scale is 1.
        """
        points = POINTS_A_TICK * run.ticks + 1
        seconds = run.first_tick * TICK_S + POINT_S * counted(0, points)
        positions_s = self.transport.positions_s(run.segment, seconds)
        hz = self.played_hz(passage, float(positions_s[0]))
        # Wander ends at 10 Hz: sampled once a tick it is straight in between.
        beats_s = counted(run.first_tick, run.ticks + 1) * TICK_S
        head_db = self._between(self.wander_db(passage, beats_s))
        lost_db = self.dropouts.loss_db(positions_s, self._wavelength_um(hz))
        if lost_db is not None:
            head_db -= lost_db
        weave_rad = 1e-6 * self.condition.azimuth_weave_urad * self._between(self._weave.at(beats_s))[:, 0]
        field = self._field(run.path, hz, head_db, weave_rad)
        angles = self.panel.angles(run.path, run.first_tick * POINTS_A_TICK, points)
        electric_db = self._electric_db(passage, run.path, float(positions_s[0]), seconds, angles)
        gain: Floats = ratios(electric_db) * passage.gate(positions_s)[:, np.newaxis]
        return field * gain

    def _field(self, path: int, hz: float, head_db: Floats, weave_rad: Floats) -> Envelope:
        """Return what the cores pick up, relative to a perfect head, shape (points, tracks)."""
        tangent = np.tan(self._azimuth_rad[path] + weave_rad)
        delay_s = np.multiply.outer(tangent, self._across_mm / mm_per_s(self.speed_ips))
        aperture = np.sinc(1000.0 * self._width_mm * tangent / self._wavelength_um(hz))[:, np.newaxis]
        field: Envelope = ratios(head_db) * aperture * np.exp(-2j * np.pi * hz * delay_s)
        if self.tracks == 1:
            return field
        # The line-up was made with the crosstalk there, so a track that is right reads right with it.
        coupling = ratio(self.condition.crosstalk_db)
        coupled = field.copy()
        coupled[:, 1:] += coupling * field[:, :-1]
        coupled[:, :-1] += coupling * field[:, 1:]
        neighbours = np.full(self.tracks, 2.0)
        neighbours[[0, -1]] = 1.0
        return coupled / (1.0 + coupling * neighbours)

    def _electric_db(self, passage: Passage, path: int, position_s: float, seconds: Floats, angles: Floats) -> Floats:
        """Return the level in dBFS behind a perfect head, shape (points, tracks) or (1, tracks)."""
        hz = self.played_hz(passage, position_s)
        # The equalizer works on what is heard, the tape was recorded for what should be.
        speed_db = self._curve.flux_db(hz / (1.0 + self.condition.speed_error)) - self._curve.flux_db(hz)
        common_db = self.reference_dbfs + self.tape_vu(passage, position_s) + speed_db + self.playback_db(seconds)
        return self.channels.response_db(path, hz, angles) + common_db[:, np.newaxis]

    def _between(self, values: Floats) -> Floats:
        """Return values given once a tick at all points, on straight lines."""
        steps = counted(0, POINTS_A_TICK)[:, np.newaxis] / POINTS_A_TICK
        drawn = values[:-1, np.newaxis] * (1.0 - steps) + values[1:, np.newaxis] * steps
        return np.concatenate((drawn.reshape(-1, values.shape[1]), values[-1:]))

    def _wavelength_um(self, hz: float) -> float:
        """Return the wavelength on tape of what is heard at a frequency."""
        return wavelength_um(hz, self.speed_ips * (1.0 + self.condition.speed_error))


def ticks_of(seconds: float) -> int:
    """Return the first tick that begins at or after a moment."""
    return math.ceil(seconds * TICKS_PER_S - 1e-9)
