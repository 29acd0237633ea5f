"""A whole calibration, played through: a recorder and what is to be done go in; the truth of what was done comes out.

The recorder is left with all that happens laid out in time: transport, paths, playback level, every turn. It can then
be rendered as samples or as levels.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from bridge.simulation.hand import Act, Aim, Hand, Temperament
from bridge.simulation.recorder import Recorder, ticks_of
from bridge.simulation.tape import EDGE_S, Passage
from bridge.simulation.transport import TICK_S
from bridge.simulation.trimmers import PATHS, POINT_S, split
from bridge.tape.machine import Adjustment

Follow = Literal["splice", "rewind"]

LISTENS_S: Final = 1.5
"""From the beginning of a tone until the hand moves: the needle is up and has been looked at."""


@dataclass(frozen=True, slots=True)
class Task:
    """One adjustment at one tone, for every track; ``target_vu`` None = what the tape says."""

    adjustment: Adjustment
    tone_hz: float
    target_vu: float | None = None


@dataclass(frozen=True, slots=True)
class Manner:
    """How a calibration is gone about.

    Parameters
    ----------
    temperament : Temperament
    hands : {1, 2}
        With two, odd and even tracks are worked on at the same time.
    follow : {"splice", "rewind"}
        What happens when a tone ends before all tracks are done: it goes on without a gap, as from a loop, or the tape
        is wound back to its announcement. Between tasks it is the same: the tape is there at once, or wound.
    playback_changes : float
        Chance, before each track, that somebody changes the level of all tracks by up to 3 dB: half of the time for
        some seconds, else for good.
    backwards : float
        Chance, for each task, to begin with the last track.
    """

    temperament: Temperament
    hands: Literal[1, 2] = 1
    follow: Follow = "splice"
    playback_changes: float = 0.0
    backwards: float = 0.0


@dataclass(frozen=True, slots=True)
class Untouched:
    """A track whose trimmer was not moved in a task, and its level at the end of it, as in `Act`."""

    track: int
    level_vu: float


@dataclass(frozen=True, slots=True)
class Stage:
    """One task as it went: from when its tone could be heard until it was left."""

    task: Task
    target_vu: float
    start_s: float
    end_s: float
    acts: tuple[Act, ...]
    untouched: tuple[Untouched, ...]
    rewinds: int


@dataclass(frozen=True, slots=True)
class Performance:
    """The truth of a calibration."""

    stages: tuple[Stage, ...]
    playback_changes_s: tuple[float, ...]
    end_s: float

    @property
    def acts(self) -> tuple[Act, ...]:
        """All acts, in the order of their beginning."""
        return tuple(sorted((act for stage in self.stages for act in stage.acts), key=lambda act: act.start_s))


def perform(recorder: Recorder, tasks: Sequence[Task], manner: Manner, seed: int, start_s: float = 1.0) -> Performance:
    """Play a calibration through and return its truth.

    Parameters
    ----------
    recorder : Recorder
        As it was made, with its tape not yet moved.
    tasks : sequence of Task
        In the order in which they are done. Their tones must be on the tape.
    manner : Manner
    seed : int
        0 or above: the hand's luck. That of the recorder is its own.
    start_s : float
        When play is pressed.

    Returns
    -------
    Performance

    Raises
    ------
    LookupError
        When the tape does not have a tone.
    ValueError
        For an adjustment that has no trimmer while a tape is played.
    """
    return _Session(recorder, manner, np.random.default_rng([seed, 1])).run(tasks, start_s)


@dataclass
class _Session:
    """A calibration under way; ``now_s`` is when everybody is free."""

    recorder: Recorder
    manner: Manner
    rng: np.random.Generator
    now_s: float = 0.0
    tone_end_s: float = 0.0
    rewinds: int = 0
    changes_s: list[float] = field(default_factory=list)

    def run(self, tasks: Sequence[Task], start_s: float) -> Performance:
        self.recorder.transport.play(ticks_of(start_s))
        self.now_s = start_s + TICK_S
        stages = tuple(self._stage(task) for task in tasks)
        end_s = self.now_s + 1.0
        self.recorder.transport.stop(ticks_of(end_s))
        return Performance(stages, tuple(self.changes_s), end_s + 1.0)

    def _stage(self, task: Task) -> Stage:
        recorder = self.recorder
        path, _ = split(task.adjustment)
        passage = recorder.content.tone(task.tone_hz, recorder.position_s(ticks_of(self.now_s)))
        target_vu = recorder.tape_vu(passage) if task.target_vu is None else task.target_vu
        aim = Aim(passage, task.adjustment, target_vu)
        recorder.select_path(PATHS[path], ticks_of(self.now_s))
        self.rewinds = 0
        self._go_to(passage)
        begun_s = self.now_s
        acts = self._tracks(aim)
        self.now_s += self.rng.uniform(2.0, 4.0)
        touched = {act.track for act in acts}
        levels_vu = recorder.noiseless_vu(passage, path, round(self.now_s / POINT_S))
        untouched = tuple(
            Untouched(track, float(levels_vu[track - 1]))
            for track in range(1, recorder.tracks + 1)
            if track not in touched
        )
        return Stage(task, target_vu, begun_s, self.now_s, tuple(acts), untouched, self.rewinds)

    def _tracks(self, aim: Aim) -> list[Act]:
        """Let the hands go along the tracks."""
        manner, rng = self.manner, self.rng
        order = list(range(1, self.recorder.tracks + 1))
        if rng.random() < manner.backwards:
            order.reverse()
        hands = [Hand(self.recorder, manner.temperament, rng) for _ in range(manner.hands)]
        free_s = [self.now_s + LISTENS_S + 0.7 * number for number in range(manner.hands)]
        queues = [order[number :: manner.hands] for number in range(manner.hands)]
        for queue in queues:
            queue += [track for track in queue if rng.random() < manner.temperament.revisits]
        acts: list[Act] = []
        while any(queues):
            number = min((number for number, queue in enumerate(queues) if queue), key=lambda n: free_s[n])
            if rng.random() < manner.playback_changes:
                self.now_s = max(free_s)
                self._change_playback()
                free_s = [self.now_s] * manner.hands
            if free_s[number] > self.tone_end_s - 12.0:
                self.now_s = max(free_s)
                self._again(aim.passage)
                free_s = [self.now_s + LISTENS_S] * manner.hands
            track = queues[number].pop(0)
            done, free_s[number] = hands[number].work(
                aim, track, free_s[number], self.tone_end_s - 1.0, alone=manner.hands == 1
            )
            acts += done
        self.now_s = max(free_s)
        return acts

    def _go_to(self, passage: Passage) -> None:
        """Let the tape come to a tone, with its announcement where it has one."""
        here_s = self.recorder.position_s(ticks_of(self.now_s))
        from_s = self.recorder.content.before(passage)
        if not from_s - 1.0 <= here_s <= passage.start_s - 1.0:
            self._move_tape(from_s)
        self._wait_for(passage)

    def _again(self, passage: Passage) -> None:
        """Have the tone once more."""
        self.rewinds += 1
        if self.manner.follow == "splice":
            # Within the tone: nothing is heard of it but a jump of the phase.
            self._move_tape(passage.start_s + 2.0 * EDGE_S)
        else:
            self._move_tape(self.recorder.content.before(passage))
        self._wait_for(passage)

    def _move_tape(self, position_s: float) -> None:
        tick = ticks_of(self.now_s)
        if self.manner.follow == "splice":
            self.recorder.transport.jump(position_s, tick)
            self.now_s = (tick + 1) * TICK_S
        else:
            self.now_s = (self.recorder.transport.locate(position_s, tick) + 1) * TICK_S

    def _wait_for(self, passage: Passage) -> None:
        """Pass the time until a tone has begun; the tape plays."""
        recorder = self.recorder
        rate = recorder.played_hz(passage) / passage.hz
        here_s = recorder.position_s(ticks_of(self.now_s))
        if here_s < passage.start_s:
            # From rest the tape loses a moment until it is up to speed.
            self.now_s += (passage.start_s - here_s) / rate + 0.2
            here_s = recorder.position_s(ticks_of(self.now_s))
        self.tone_end_s = self.now_s + (passage.end_s - here_s) / rate

    def _change_playback(self) -> None:
        recorder, rng = self.recorder, self.rng
        before_db = float(recorder.playback_db(np.array([self.now_s]))[0])
        change_db = float(rng.choice((-1.0, 1.0)) * rng.uniform(0.3, 3.0))
        # Nobody lets the level run away.
        after_db = before_db + (change_db if abs(before_db + change_db) <= 6.0 else -change_db)
        self._fade(after_db)
        if rng.random() < 0.5:
            self._fade(before_db)

    def _fade(self, gain_db: float) -> None:
        ramp_s = float(self.rng.uniform(0.2, 1.5))
        self.changes_s.append(self.now_s)
        self.recorder.set_playback(gain_db, ticks_of(self.now_s), ramp_s)
        self.now_s += ramp_s + float(self.rng.uniform(3.0, 8.0))
