"""The hand on the trimmers: a temperament and a seed go in, turns of the recorder's trimmers come out, and their truth.

A person works in strokes: look at the needle, judge how far to turn, turn, wait for the needle, look again. The stroke
is quick in the middle and slow at both ends (minimum jerk; Flash and Hogan, Journal of Neuroscience 5(7), 1985, from
memory). How far it goes is misjudged; the needle sways; the trimmer has play: so the hand overshoots and comes back.
The numbers of a temperament are common practice, no source.
"""

import math
from dataclasses import dataclass, fields, replace
from typing import Final, Literal, Self

import numpy as np

from bridge.simulation.arrays import Floats, counted
from bridge.simulation.recorder import Recorder
from bridge.simulation.tape import Passage
from bridge.simulation.trimmers import POINT_S, TRAVEL, split
from bridge.tape.machine import Adjustment

ActKind = Literal["trim", "slip", "undo"]

LEAST_SLOPE_DB: Final = 3.0
"""A trimmer that moves the tone by less than this over its travel cannot be set by it; the hand leaves it alone."""


@dataclass(frozen=True, slots=True)
class Temperament:
    """How somebody works.

    Parameters
    ----------
    walk_s : float
        From one track to the next, and into the slot of the trimmer.
    look_s : float
        From the end of a stroke to the next: the needle takes 0.3 s, the eye and the decision the rest.
    satisfied_db : float
        Nearer than this to the aim is right.
    reading_db : float
        Standard deviation of reading the needle.
    misjudged : float
        Standard deviation of the natural logarithm of the length of a stroke against what it should be.
    boldness : float
        How much of what is missing a stroke goes for: below 1 creeps up, above 1 overshoots.
    stroke : float
        Longest stroke, as a share of the travel: what a wrist turns.
    speed : float
        Fastest turning, travel a second.
    quickest_s : float
        The shortest stroke takes about this long.
    hesitates, hesitation_s : float
        Chance to stop and think before a stroke, and for how long.
    slips : float
        Chance, for each track, to be on a neighbour's trimmer first.
    undoes : float
        Chance, for each trim, to turn it back to where it was found.
    skips : float
        Chance, for each track, to pass it over though it is off.
    revisits : float
        Chance, for each track, to come back to it after the last one.
    """

    walk_s: float
    look_s: float
    satisfied_db: float
    reading_db: float
    misjudged: float
    boldness: float
    stroke: float
    speed: float
    quickest_s: float
    hesitates: float
    hesitation_s: float
    slips: float
    undoes: float
    skips: float
    revisits: float

    @classmethod
    def between(cls, haste: float) -> Self:
        """Return somebody between careful (0) and hasty (1)."""
        if not 0.0 <= haste <= 1.0:
            raise ValueError(f"haste must be from 0 to 1, not {haste:g}")
        values = {
            field.name: (1.0 - haste) * getattr(CAREFUL, field.name) + haste * getattr(HASTY, field.name)
            for field in fields(cls)
        }
        return cls(**values)

    def never(self) -> "Temperament":
        """Return the same person on a good day: no slip, no second thoughts, no track passed over."""
        return replace(self, slips=0.0, undoes=0.0, skips=0.0, revisits=0.0)


CAREFUL: Final = Temperament(
    walk_s=4.0,
    look_s=1.4,
    satisfied_db=0.05,
    reading_db=0.02,
    misjudged=0.15,
    boldness=0.7,
    stroke=0.12,
    speed=0.08,
    quickest_s=0.5,
    hesitates=0.15,
    hesitation_s=2.0,
    slips=0.01,
    undoes=0.01,
    skips=0.0,
    revisits=0.1,
)
HASTY: Final = Temperament(
    walk_s=1.5,
    look_s=0.6,
    satisfied_db=0.2,
    reading_db=0.08,
    misjudged=0.45,
    boldness=1.1,
    stroke=0.4,
    speed=1.0,
    quickest_s=0.2,
    hesitates=0.1,
    hesitation_s=0.8,
    slips=0.06,
    undoes=0.04,
    skips=0.05,
    revisits=0.02,
)


@dataclass(frozen=True, slots=True)
class Act:
    """The truth about one act of turning one trimmer.

    Levels are those of the tone without wander, dropouts and noise, in VU. ``start_s`` is the last moment before the
    wiper moves first, ``end_s`` the moment from which it stands; ``strokes_s`` are the stretches between in which it
    moves. ``lowest_vu`` and ``highest_vu`` are the ends of the way. An ``undo`` turns a trim back. A ``slip`` is on a
    neighbour of ``meant_track``, which otherwise is the track itself.
    """

    track: int
    adjustment: Adjustment
    tone_hz: float
    kind: ActKind
    meant_track: int
    start_s: float
    end_s: float
    as_found_vu: float
    as_left_vu: float
    target_vu: float
    lowest_vu: float
    highest_vu: float
    strokes_s: tuple[tuple[float, float], ...]

    @property
    def as_found_db(self) -> float:
        """Deviation from the target before."""
        return self.as_found_vu - self.target_vu

    @property
    def as_left_db(self) -> float:
        """Deviation from the target after."""
        return self.as_left_vu - self.target_vu

    @property
    def excursion_db(self) -> float:
        """From the lowest to the highest level on the way."""
        return self.highest_vu - self.lowest_vu


@dataclass(frozen=True, slots=True)
class Aim:
    """What the hand is after: one adjustment at one tone, and the target in VU."""

    passage: Passage
    adjustment: Adjustment
    target_vu: float


class Hand:
    """Somebody with a screwdriver.

    Parameters
    ----------
    recorder : Recorder
        Its trimmers are turned.
    temperament : Temperament
    rng : numpy.random.Generator
    """

    def __init__(self, recorder: Recorder, temperament: Temperament, rng: np.random.Generator) -> None:
        self._recorder = recorder
        self._temperament = temperament
        self._rng = rng

    def work(
        self, aim: Aim, track: int, start_s: float, deadline_s: float, *, alone: bool = True
    ) -> tuple[list[Act], float]:
        """Set one track; no stroke begins that would end after ``deadline_s``, when the tone ends.

        ``alone`` is False when another hand may be on the neighbour's trimmer.

        Returns
        -------
        list of Act
            What was turned; empty when the track looked right.
        float
            When the hand is free again.
        """
        mood, rng = self._temperament, self._rng
        acts: list[Act] = []
        now_s = start_s + mood.walk_s * rng.uniform(0.6, 1.6)
        if rng.random() < mood.skips:
            return acts, now_s
        if alone and rng.random() < mood.slips and abs(self._missing_db(aim, track, now_s)) > mood.satisfied_db:
            act, now_s = self._slip(aim, track, now_s, deadline_s)
            acts += act
        turning = _Turning(self._recorder, aim, track)
        found = turning.shaft
        now_s = self._approach(turning, aim, now_s, deadline_s)
        acts += turning.act("trim", track)
        if acts and acts[-1].kind == "trim" and rng.random() < mood.undoes:
            now_s += rng.uniform(2.0, 5.0)
            back = _Turning(self._recorder, aim, track)
            now_s = self._stroke(back, found, now_s, deadline_s)
            acts += back.act("undo", track)
        return acts, now_s

    def _approach(self, turning: "_Turning", aim: Aim, now_s: float, deadline_s: float) -> float:
        """Turn until the needle looks right; return when."""
        mood, rng = self._temperament, self._rng
        backlash = self._recorder.condition.backlash
        direction = 0.0
        for _ in range(40):
            missing_db = self._missing_db(aim, turning.track, now_s)
            slope_db = turning.slope_db()
            if abs(missing_db) <= mood.satisfied_db or abs(slope_db) < LEAST_SLOPE_DB:
                break
            if rng.random() < mood.hesitates:
                now_s += mood.hesitation_s * rng.uniform(0.5, 2.0)
            length = missing_db / slope_db * mood.boldness * math.exp(mood.misjudged * rng.standard_normal())
            length = min(max(length, -mood.stroke), mood.stroke)
            if length * direction <= 0.0:
                # The play is felt, and mostly taken up.
                length += math.copysign(backlash * rng.uniform(0.3, 1.0), length)
            direction = length
            there = min(max(turning.shaft + length, TRAVEL[0]), TRAVEL[1])
            before_s = now_s
            now_s = self._stroke(turning, there, now_s, deadline_s)
            if now_s == before_s:
                break
            now_s += mood.look_s * rng.uniform(0.7, 1.5)
        return now_s

    def _slip(self, aim: Aim, track: int, now_s: float, deadline_s: float) -> tuple[list[Act], float]:
        """Turn a neighbour's trimmer, notice that nothing happens, turn it back as well as one can."""
        rng = self._rng
        neighbours = [other for other in (track - 1, track + 1) if 1 <= other <= self._recorder.tracks]
        if not neighbours:
            return [], now_s
        turning = _Turning(self._recorder, aim, int(rng.choice(neighbours)))
        found = turning.shaft
        wrong = rng.choice((-1.0, 1.0)) * rng.uniform(0.02, 0.12)
        now_s = self._stroke(turning, min(max(found + wrong, TRAVEL[0]), TRAVEL[1]), now_s, deadline_s)
        now_s += self._temperament.look_s * rng.uniform(1.0, 2.0)
        # A stroke that would not be back before the tone ends is made all the same: nobody leaves a slip.
        now_s = self._stroke(turning, found + 0.05 * wrong * rng.standard_normal(), now_s, math.inf)
        return turning.act("slip", track), now_s + self._temperament.walk_s * rng.uniform(0.5, 1.0)

    def _stroke(self, turning: "_Turning", there: float, now_s: float, deadline_s: float) -> float:
        """Turn the shaft to an angle; return when it is there, or ``now_s`` when that would be too late."""
        length = abs(there - turning.shaft)
        # The fastest moment of a minimum-jerk stroke is 15/8 of its mean speed.
        mood = self._temperament
        seconds = max(1.875 * length / mood.speed, mood.quickest_s) * self._rng.uniform(0.9, 1.3)
        if now_s + seconds > deadline_s:
            return now_s
        turning.stroke(there, now_s, seconds)
        return now_s + seconds

    def _missing_db(self, aim: Aim, track: int, now_s: float) -> float:
        """Return by how much the needle seems to be below the aim: it shows what was, and sways."""
        recorder = self._recorder
        path, _ = split(aim.adjustment)
        point = max(math.ceil(now_s / POINT_S), 0)
        lately_s = np.linspace(now_s - 0.4, now_s - 0.1, 4)
        swaying_db = float(recorder.wander_db(aim.passage, lately_s)[:, track - 1].mean())
        level_vu = float(recorder.noiseless_vu(aim.passage, path, point)[track - 1])
        misread_db = self._temperament.reading_db * self._rng.standard_normal()
        return aim.target_vu + float(recorder.playback_db(lately_s)[-1]) - level_vu - swaying_db - misread_db


class _Turning:
    """One act in the making."""

    def __init__(self, recorder: Recorder, aim: Aim, track: int) -> None:
        self._recorder = recorder
        self._aim = aim
        self.track = track
        self._path, self._kind = split(aim.adjustment)
        self._moved: list[tuple[int, int]] = []

    @property
    def shaft(self) -> float:
        """Where the shaft is now."""
        return self._recorder.panel.shaft(self._path, self._kind, self.track - 1)

    def slope_db(self) -> float:
        """Return by how much the tone moves for a whole travel, as one would judge from here."""
        recorder = self._recorder
        hz = recorder.played_hz(self._aim.passage)
        sides = np.repeat(recorder.panel.wipers[self._path][np.newaxis], 2, axis=0)
        sides[:, self._kind, self.track - 1] += (-0.01, 0.01)
        below, above = recorder.channels.response_db(self._path, hz, sides)[:, self.track - 1]
        return float(above - below) / 0.02

    def stroke(self, there: float, start_s: float, seconds: float) -> None:
        """Turn the shaft."""
        points = max(math.ceil(seconds / POINT_S), 2)
        done: Floats = counted(0, points + 1) / points
        shaft = self.shaft + (there - self.shaft) * (10.0 * done**3 - 15.0 * done**4 + 6.0 * done**5)
        start = math.ceil(start_s / POINT_S)
        moved = self._recorder.panel.turn(self._path, self._kind, self.track - 1, shaft, start)
        if moved:
            self._moved.append(moved)

    def act(self, kind: ActKind, meant_track: int) -> list[Act]:
        """Return the truth of it; nothing when no wiper has moved."""
        if not self._moved:
            return []
        start, end = self._moved[0][0], self._moved[-1][1]
        # Between two strokes nothing moves, and within one only up or down: these are all the turning points.
        levels_vu = [self._level_vu(point) for stroke in self._moved for point in stroke]
        return [
            Act(
                track=self.track,
                adjustment=self._aim.adjustment,
                tone_hz=self._aim.passage.hz,
                kind=kind,
                meant_track=meant_track,
                start_s=start * POINT_S,
                end_s=end * POINT_S,
                as_found_vu=levels_vu[0],
                as_left_vu=levels_vu[-1],
                target_vu=self._aim.target_vu,
                lowest_vu=min(levels_vu),
                highest_vu=max(levels_vu),
                strokes_s=tuple((first * POINT_S, last * POINT_S) for first, last in self._moved),
            )
        ]

    def _level_vu(self, point: int) -> float:
        return float(self._recorder.noiseless_vu(self._aim.passage, self._path, point)[self.track - 1])
