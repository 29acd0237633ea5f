"""A simulated recorder as a source: a recorder goes in, blocks come out, in real time or as fast as they are read.

The model is `bridge.simulation`: a `Recorder` is the machine at one speed with one calibration tape on it. With
several tapes there is one for each; they are one machine, of which one plays. What this adds is the clock, the patch
from tracks to inputs, and commands that may come from another thread while the tape runs: turns of trimmers, the
buttons of the transport, another tape. A command takes effect in the next block.
"""

import threading
import time
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from bridge.simulation.condition import Condition
from bridge.simulation.recorder import Recorder
from bridge.simulation.rendering import Renderer
from bridge.simulation.tape import Passage, TapeContent
from bridge.simulation.transport import TICK_S
from bridge.simulation.trimmers import PATHS, POINTS_A_TICK, split
from bridge.source.block import Block, Losses
from bridge.source.faults import SourceLostError
from bridge.source.voices import voices
from bridge.tape.calibration_tape import CalibrationTape, tape_for
from bridge.tape.machine import Adjustment, Machine, Path
from bridge.tape.wavelength import same_speed

MOST_BEHIND_S: Final = 1.0
"""A reader that is further behind loses samples, as with a real interface."""


def practice_recorders(
    machine: Machine,
    tapes: Sequence[CalibrationTape],
    *,
    sample_rate_hz: int,
    reference_dbfs: float,
    seed: int,
    condition: Condition | None = None,
) -> tuple[Recorder, ...]:
    """Return a machine for practice, once for each tape, with announcements where this computer has voices.

    Each speed has trimmers and faults of its own; the first has those of the seed alone. Tapes for one speed share
    them. The first tape plays.
    """
    recorders: list[Recorder] = []
    for tape in tapes:
        mates = [other for other in recorders if same_speed(other.tape.speed_ips, tape.speed_ips)]
        speeds = {other.seed for other in recorders}
        recorders.append(
            Recorder(
                machine,
                tape,
                condition,
                seed=mates[0].seed if mates else seed + len(speeds),
                sample_rate_hz=sample_rate_hz,
                reference_dbfs=reference_dbfs,
                announcements=voices(),
                panel=mates[0].panel if mates else None,
            )
        )
    recorders[0].transport.play(0)
    return tuple(recorders)


class Simulated:
    """A source whose samples are computed.

    Parameters
    ----------
    recorder : Recorder
        The first one plays.
    *others : Recorder
        The same machine with other tapes, of the same sample rate, all of them stopped.
    patch : iterable of (track, input)
        Which input each track is on; empty = track 1 on input 1, and so on.
    inputs : iterable of int
        The inputs to deliver; empty = those of ``patch``. One without a track is silent.
    block_frames : int
        Samples of each input in a block, 1 or more.
    real_time : bool
        Whether a block comes when it is due, or at once.
    seconds : float or None
        When to end; None = never. The tape is rewound whenever it has run out.

    Raises
    ------
    ValueError
        For a block without frames, or a track that the recorder does not have.
    """

    def __init__(
        self,
        recorder: Recorder,
        *others: Recorder,
        patch: Iterable[tuple[int, int]] = (),
        inputs: Iterable[int] = (),
        block_frames: int = 512,
        real_time: bool = True,
        seconds: float | None = None,
    ) -> None:
        if block_frames < 1:
            raise ValueError(f"a block must have 1 frame or more, not {block_frames}")
        self.sample_rate_hz: Final = recorder.sample_rate_hz
        self._recorder = recorder
        self._recorders = (recorder, *others)
        self._renderers = {one: Renderer(one) for one in self._recorders}
        pairs = tuple(patch) or tuple((track, track) for track in range(1, recorder.tracks + 1))
        self.inputs: Final = tuple(inputs) or tuple(sorted(number for _, number in pairs))
        self._block_frames = block_frames
        self._real_time = real_time
        self._end_frame = None if seconds is None else round(seconds * recorder.sample_rate_hz)
        self._lock = threading.Lock()
        self._stopped = threading.Event()
        self._next_frame = 0
        self._running = False
        self._started_ns = 0
        self._started_s = 0.0
        self.losses = Losses()
        self._turns: dict[tuple[int, Adjustment], float] = {}
        self._columns = self._columns_for(pairs)

    @property
    def description(self) -> str:
        """What this is, for a person."""
        recorders = self._recorders
        speeds = " and ".join(dict.fromkeys(f"{one.speed_ips:g}" for one in recorders))
        return f"simulated recorder, {recorders[0].tracks} tracks at {speeds} in/s, seed {recorders[0].seed}"

    def start(self) -> None:
        """Begin to deliver."""
        self._started_ns = time.time_ns()
        self._started_s = time.monotonic()
        self._running = True

    def read(self, timeout_s: float) -> Block | None:
        """Return the next block, or None when none is due within ``timeout_s``.

        Raises
        ------
        SourceLostError
            Before the start and after the stop.
        EOFError
            When the simulation has come to its end.
        """
        if not self._running or self._stopped.is_set():
            raise SourceLostError("the simulation is not running")
        frames = self._block_frames
        if self._end_frame is not None:
            frames = min(frames, self._end_frame - self._next_frame)
            if frames <= 0:
                raise EOFError("the simulation has come to its end")
        if self._real_time and not self._due(frames, timeout_s):
            return None
        with self._lock:
            self._apply_turns()
            first_frame = self._next_frame
            tracks = self._renderers[self._recorder].render(first_frame, frames)
            self._next_frame += frames
            self._rewind_at_end()
            columns = self._columns
        samples = np.zeros((frames, len(self.inputs)), dtype=np.float32)
        patched = columns >= 0
        samples[:, patched] = tracks[:, columns[patched]]
        captured_ns = self._started_ns + (first_frame + frames) * 1_000_000_000 // self.sample_rate_hz
        return Block(samples, first_frame, captured_ns)

    def stop(self) -> None:
        """Stop; a reader that waits is let go."""
        self._stopped.set()

    # Commands, from any thread

    def patch(self, pairs: Iterable[tuple[int, int]]) -> None:
        """Patch tracks to inputs anew, as pairs of (track, input): another bank."""
        columns = self._columns_for(pairs)
        with self._lock:
            self._columns = columns

    def turn(self, track: int, adjustment: Adjustment, delta: float) -> None:
        """Turn a trimmer by a share of its travel, −1…1; turns that come quickly are added up.

        Raises
        ------
        ValueError
            For a track or a trimmer that is not there, or a share that is no number from −1 to 1.
        """
        split(adjustment)
        if not 1 <= track <= self._recorder.tracks:
            raise ValueError(f"track {track} is not on the machine: it has tracks 1 to {self._recorder.tracks}")
        if not -1.0 <= delta <= 1.0:
            raise ValueError(f"a turn must be from -1 to 1 of the travel, not {delta:g}")
        with self._lock:
            self._turns[track, adjustment] = self._turns.get((track, adjustment), 0.0) + delta

    def trimmers(self, adjustment: Adjustment, tracks: Iterable[int]) -> tuple[float, ...]:
        """Return where the trimmers of some tracks stand now, shares of their travel; nothing for those of recording.

        While a trimmer is being turned, also by a hand that was laid out in advance, that is where its wiper is.
        """
        try:
            path, kind = split(adjustment)
        except ValueError:
            return ()
        with self._lock:
            panel, point = self._recorder.panel, self._tick() * POINTS_A_TICK
            wipers = panel.angles(path, point, 1)[0, kind]
            return tuple(
                float(wipers[track - 1])
                if panel.busy_until(path, kind, track - 1) > point
                else panel.shaft(path, kind, track - 1)
                for track in tracks
            )

    def thread(self, speed_ips: float, tone_hz: float, tone_level_db: float | None = None) -> None:
        """Put on the tape that a step is trimmed to, and run at its speed; it plays from its beginning.

        A tape that is on plays on. The path stays as it is switched, and so does the level of all tracks together.
        """
        tape = tape_for([one.tape for one in self._recorders], speed_ips, tone_hz, tone_level_db)
        with self._lock:
            if tape is not self._recorder.tape:
                self._change_to(next(one for one in self._recorders if one.tape is tape))

    def tape_play(self) -> None:
        """Press play."""
        with self._lock:
            self._recorder.transport.play(self._tick())

    def tape_stop(self) -> None:
        """Press stop."""
        with self._lock:
            self._recorder.transport.stop(self._tick())

    def tape_locate(self, position_s: float) -> None:
        """Wind to a place on the tape, in seconds from its beginning, and play."""
        with self._lock:
            self._recorder.transport.locate(position_s, self._tick())

    def tape_to_tone(self, hz: float) -> None:
        """Wind to the announcement of the tone that is heard at this frequency, and play.

        Raises
        ------
        LookupError
            When the tape does not have this tone.
        """
        label_hz = hz / self._recorder.faster
        tape = tape_for([one.tape for one in self._recorders], self._recorder.tape.speed_ips, label_hz)
        recorder = next(one for one in self._recorders if one.tape is tape)
        try:
            place_s = recorder.content.before(recorder.content.tone(label_hz))
        except LookupError:
            raise LookupError(f"the tape has no tone of {hz:g} Hz") from None
        with self._lock:
            if recorder is not self._recorder:
                self._change_to(recorder)
            self._recorder.transport.locate(place_s, self._tick())

    @property
    def tones_hz(self) -> tuple[float, ...]:
        """The tones of the tape that plays, or would play but for something foreign, as they are heard."""
        return tuple(tone.hz for tone in self._recorder.tape.tones_played_at(self._recorder.speed_ips))

    def play_foreign(self, passages: Sequence[Passage]) -> None:
        """Play what is not of the calibration tape, over and over, until a tone of a calibration tape is asked for.

        Tones and sweeps are given as they are to be heard, whatever the speed; sounds as they are on the tape.
        """
        like = self._recorder
        recorded = [
            passage
            if passage.kind == "sound"
            else replace(
                passage,
                seconds=passage.seconds * like.faster,
                hz=passage.hz / like.faster,
                to_hz=passage.to_hz / like.faster,
            )
            for passage in passages
        ]
        other = Recorder(
            like.machine,
            like.tape,
            like.condition,
            seed=like.seed,
            sample_rate_hz=like.sample_rate_hz,
            reference_dbfs=like.reference_dbfs,
            speed_ips=like.speed_ips,
            content=TapeContent(recorded),
            panel=like.panel,
        )
        with self._lock:
            self._renderers[other] = Renderer(other)
            self._change_to(other)

    def select_path(self, path: Path) -> None:
        """Switch all tracks to the repro head, the sync head or the inputs."""
        with self._lock:
            self._recorder.select_path(path, self._tick())

    def set_playback(self, gain_db: float) -> None:
        """Change the level of all tracks together, dB."""
        with self._lock:
            self._recorder.set_playback(gain_db, self._tick())

    # Inside; with the lock held

    def _change_to(self, recorder: Recorder) -> None:
        """Let another tape play, from its beginning; the path and the level of all tracks stay as they are."""
        before, tick = self._recorder, self._tick()
        if recorder.panel is not before.panel:
            # What was still to be turned was meant for the trimmers of before.
            self._turns.clear()
        path = before.path_at(tick)
        before.transport.stop(tick)
        if before not in self._recorders:
            del self._renderers[before]
        self._recorder = recorder
        recorder.select_path(PATHS[path] if path >= 0 else "input", tick)
        recorder.set_playback(float(before.playback_db(np.array([tick * TICK_S]))[0]), tick)
        recorder.transport.jump(0.0, tick)

    def _columns_for(self, pairs: Iterable[tuple[int, int]]) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
        """Return for each input the index of its track, −1 where there is none."""
        tracks = {number: track for track, number in pairs}
        for track in tracks.values():
            if not 1 <= track <= self._recorder.tracks:
                raise ValueError(f"track {track} is not on the machine: it has tracks 1 to {self._recorder.tracks}")
        return np.array([tracks.get(number, 0) - 1 for number in self.inputs], dtype=np.intp)

    def _tick(self) -> int:
        return self._renderers[self._recorder].next_free_tick(self._next_frame)

    def _apply_turns(self) -> None:
        tick = self._tick()
        for (track, adjustment), delta in list(self._turns.items()):
            path, kind = split(adjustment)
            if self._recorder.panel.busy_until(path, kind, track - 1) <= tick * POINTS_A_TICK:
                self._recorder.turn(track, adjustment, delta, tick)
                del self._turns[track, adjustment]

    def _rewind_at_end(self) -> None:
        tick = self._tick()
        segment = self._recorder.transport.segment(tick)
        if segment.motion == "play" and self._recorder.position_s(tick) >= self._recorder.content.length_s:
            self._recorder.transport.locate(0.0, tick)

    def _due(self, frames: int, timeout_s: float) -> bool:
        """Wait until the next block has been captured, ``timeout_s`` at most; return whether it has."""
        rate = self.sample_rate_hz
        ahead_s = self._started_s + (self._next_frame + frames) / rate - time.monotonic()
        if ahead_s < -MOST_BEHIND_S:
            skipped = int(-ahead_s * rate)
            with self._lock:
                self._next_frame += skipped
                self.losses += Losses(overruns=1, frames=skipped)
        if ahead_s > 0.0:
            self._stopped.wait(min(ahead_s, timeout_s))
        return ahead_s <= timeout_s and not self._stopped.is_set()
