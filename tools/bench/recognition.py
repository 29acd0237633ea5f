"""Benchmark: does it know which trimmer was turned, in which step, and what it was left at?

Simulated calibrations go in, from two generators: the simulated recorder with a hand on it (`bridge.simulation`), and
levels made up with other wander, other dropouts and other hands (`tools.bench.scenes`). Out come a table by difficulty,
the worst cases, and the same for the obvious way: a threshold on the VU reading, and waiting for 2 s.

Both give levels, not samples, so that hundreds can be gone through; that the levels are those of the samples is tested
(`tests/simulation/test_levels.py`). The third, `sound`, plays the recorder as samples of 44.1 kHz to 192 kHz through
the meter, and takes a minute for each.

    .venv/bin/python -m tools.bench.recognition [--calibrations 300] [--first-seed 10000] [--workers 2]
    .venv/bin/python -m tools.bench.recognition --generator sound --calibrations 12

Seeds below 1000 are for development, those of the benchmark have never been looked at.
"""

import argparse
import collections
import math
import os
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Final, Literal

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from bridge.metering.levels import Column
from bridge.metering.meter import Meter
from bridge.procedure.bank import Bank
from bridge.procedure.hands_free import HandsFree
from bridge.procedure.patch import Patch, TrackLevels
from bridge.procedure.steps import Step
from bridge.procedure.trim_watch import Event, TrimFound, TrimSettled, TrimWatch
from bridge.simulation.calibration import Manner, Performance, Task, perform
from bridge.simulation.condition import Condition
from bridge.simulation.hand import Act, Temperament
from bridge.simulation.levels import TickLevels, render_levels
from bridge.simulation.recorder import Recorder
from bridge.simulation.rendering import Renderer
from bridge.simulation.trimmers import POINT_S
from bridge.source.block import Block
from bridge.tape.calibration_tape import CalibrationTape
from bridge.tape.calibration_tape import Tone as TapeTone
from bridge.tape.equalization import Equalization
from bridge.tape.machine import Adjustment, Machine, Speed
from tools.bench import scenes

Generator = Literal["recorder", "scenes", "sound"]

UPDATE_S: Final = 0.01
FIRST_SEED: Final = 10_000
FOUND_WITHIN_S: Final = 3.0
"""A trim that is found must overlap the true one, give or take this: a small one in much wander has no sharp moment."""

LEAST_DB: Final = 0.1
"""A true trim goes at least so far from where it was found, at some moment of it. Less is not asked for."""

MOVING_DB: Final = 0.02
"""A hand that has moved the level by less than this in the last tenth of a second does not move, for a meter."""

ONE_ACT_S: Final = 8.0
"""A hand that is back on the same trimmer within this time, with no other turned meanwhile, never left it."""

TASKS: Final = (
    Task("repro level", 1000.0),
    Task("repro high", 10_000.0),
    Task("repro low", 100.0),
    Task("sync level", 1000.0),
)
REFERENCE_DBFS: Final = -18.0
RATES_HZ: Final = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
FOUND_HZ_UPDATES: Final = 40
LOCK_UPDATES: Final = 17
"""The meter finds a tone after 0.17 s and says its frequency as a mean over 0.4 s."""


@dataclass(frozen=True, slots=True)
class Truth:
    """One true act."""

    step: int
    track: int
    started_s: float
    ended_s: float
    as_found_db: float
    as_left_db: float
    furthest_db: float
    undone: bool


@dataclass(frozen=True, slots=True)
class Guess:
    """One act as it was recognised."""

    step: int
    track: int
    started_s: float
    ended_s: float
    as_found_db: float
    as_left_db: float
    standard_error_db: float
    settled_s: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one calibration."""

    generator: Generator
    seed: int
    tracks: int
    wander_db: float
    manner: str
    trims: int
    hits: tuple[tuple[Truth, Guess], ...]
    missed: tuple[Truth, ...]
    false: tuple[Guess, ...]
    told: int
    told_moving: int
    wrong_step: int
    obvious_hits: int
    obvious_false: int
    obvious_error_db: tuple[float, ...]
    updates: int
    seconds: float

    @property
    def calibrations(self) -> float:
        """How many calibrations of 16 tracks and 4 steps this is worth."""
        return self.tracks * len(TASKS) / 64.0


# -- the obvious way


class Obvious:
    """A threshold on the VU reading: what moves by more is being trimmed, what then stays for 2 s is settled."""

    THRESHOLD_DB: Final = 0.3
    WAIT: Final = 200
    # Critically damped to 99 % in 0.3 s.
    RATE: Final = 6.64 / 0.3 * UPDATE_S

    def __init__(self, step: int, tracks: int) -> None:
        self._step = step
        self._first = np.full(tracks, np.nan)
        self._reading = np.full(tracks, np.nan)
        self._held = np.full(tracks, np.nan)
        self._found = np.full(tracks, np.nan)
        self._moved = np.full(tracks, -1)
        self._began = np.zeros(tracks)
        self._listens = np.zeros(tracks, dtype=np.int_)
        self.guesses: list[Guess] = []

    def push(self, number: int, deviation_db: Column) -> None:
        """Take one update."""
        present = np.isfinite(deviation_db)
        fresh = present & np.isnan(self._reading)
        level = np.where(present, deviation_db, np.nan)
        self._first = np.where(fresh, level, self._first + self.RATE * (level - self._first))
        self._reading = np.where(fresh, level, self._reading + self.RATE * (self._first - self._reading))
        self._listens = np.where(present, self._listens + 1, 0)
        self._held = np.where(self._listens == 50, self._reading, np.where(present, self._held, np.nan))
        moved = np.abs(self._reading - self._held) > self.THRESHOLD_DB
        began = moved & (self._moved < 0)
        self._found = np.where(began, self._held, self._found)
        self._began = np.where(began, number, self._began)
        self._held = np.where(moved, self._reading, self._held)
        self._moved = np.where(moved, number, np.where(present, self._moved, -1))
        for track in np.flatnonzero((self._moved >= 0) & (number - self._moved >= self.WAIT)):
            started_s, ended_s = self._began[track] * UPDATE_S, self._moved[track] * UPDATE_S
            self.guesses.append(
                Guess(
                    self._step,
                    int(track),
                    float(started_s),
                    float(ended_s),
                    float(self._found[track]),
                    float(self._reading[track]),
                    math.nan,
                    number * UPDATE_S,
                )
            )
            self._held[track] = self._reading[track]
            self._moved[track] = -1


# -- the simulated recorder


def drawn_recorder(seed: int, sample_rate_hz: int = 48_000) -> tuple[Recorder, Manner, str]:
    """Return a recorder and how it is gone about, within the conditions of the benchmark."""
    rng = np.random.default_rng([seed, 99])
    tracks = int(rng.choice([8, 16, 24]))
    haste = float(rng.random())
    condition = Condition(
        speed_error=float(rng.uniform(-0.01, 0.01)),
        flutter_weighted_peak=float(rng.uniform(0.0003, 0.0015)),
        level_wander_db=float(0.02 * 15.0 ** rng.random()),
        spacing_wander_um=float(rng.uniform(0.01, 0.05)),
        wander_corner_hz=float(rng.uniform(0.2, 2.0)),
        neighbour_correlation=float(rng.uniform(0.0, 0.9)),
        dropouts_per_minute=float(rng.uniform(0.0, 6.0)),
        crosstalk_db=float(rng.uniform(-60.0, -40.0)),
        backlash=float(rng.uniform(0.0, 0.01)),
        scratch=float(rng.uniform(0.0, 0.003)),
    )
    signs = rng.choice([-1.0, 1.0], (2, 3, tracks))
    found_db = signs * 0.1 * 80.0 ** rng.random((2, 3, tracks))
    found_db *= rng.random((2, 3, tracks)) > 0.15
    tape = CalibrationTape(
        320.0,
        15.0,
        Equalization("iec1", 35.0, 0.0),
        (TapeTone(1000.0, 0.0, 90.0), TapeTone(10_000.0, 0.0, 90.0), TapeTone(100.0, 0.0, 90.0)),
        fringing_compensated=True,
        name="Invented tape",
    )
    machine = Machine("Invented recorder", tracks, 320.0, 0.94, 2.11, (Speed(15.0, tape.equalization),))
    manner = Manner(
        Temperament.between(haste),
        hands=2 if rng.random() < 0.15 else 1,
        follow="rewind" if rng.random() < 0.5 else "splice",
        playback_changes=float(rng.choice([0.0, 0.02])),
        backwards=0.2,
    )
    hand = "careful" if haste < 1 / 3 else "usual" if haste < 2 / 3 else "hasty"
    recorder = Recorder(
        machine,
        tape,
        condition,
        seed=seed,
        sample_rate_hz=sample_rate_hz,
        reference_dbfs=REFERENCE_DBFS,
        found_db=found_db,
    )
    return recorder, manner, hand


def true_acts(performance: Performance) -> list[Truth]:
    """Return the true acts; what the hand does to one trimmer without a break and with no other in between is one."""
    truths: list[Truth] = []
    for step, stage in enumerate(performance.stages):
        acts = sorted(stage.acts, key=lambda act: act.start_s)
        joined: list[list[Act]] = []
        for act in acts:
            last = next((group for group in reversed(joined) if group[-1].track == act.track), None)
            others = last and any(last[-1].end_s < other.start_s < act.start_s for other in acts)
            if last and not others and act.start_s - last[-1].end_s < ONE_ACT_S:
                last.append(act)
            else:
                joined.append([act])
        for group in joined:
            first, last_act = group[0], group[-1]
            ends_db = [level - act.target_vu for act in group for level in (act.lowest_vu, act.highest_vu)]
            furthest_db = max((abs(level - first.as_found_db) for level in ends_db), default=0.0)
            truths.append(
                Truth(
                    step,
                    first.track - 1,
                    first.start_s,
                    last_act.end_s,
                    first.as_found_db,
                    last_act.as_left_db,
                    furthest_db,
                    abs(first.as_found_db - last_act.as_left_db) < LEAST_DB <= furthest_db,
                )
            )
    return truths


def updates_of(levels: TickLevels) -> Iterable[TrackLevels]:
    """Yield what the meter would say: the tone is found after a moment, its frequency is a mean."""
    ticks, tracks = levels.tone_dbfs.shape
    power, other = 10.0 ** (levels.tone_dbfs / 10.0), 10.0 ** (levels.other_dbfs / 10.0)
    share = np.where(levels.tone_hz[:, np.newaxis] > 0.0, power / np.maximum(power + other, 1e-30), 0.0)
    rms_dbfs = 10.0 * np.log10(np.maximum(power * (levels.tone_hz[:, np.newaxis] > 0.0) + other, 1e-20))
    tone_vu = np.where(share >= 0.5, levels.tone_dbfs - REFERENCE_DBFS, np.nan)
    absent, zero, no = np.full(tracks, np.nan), np.zeros(tracks), np.zeros(tracks, dtype=bool)
    heard: collections.deque[float] = collections.deque(maxlen=FOUND_HZ_UPDATES)
    locked = silent = 0
    for tick in range(ticks):
        hz = float(levels.tone_hz[tick])
        there = hz > 0.0 and not (heard and abs(hz / heard[-1] - 1.0) > 0.02)
        silent = 0 if there else silent + 1
        if silent >= 10 or (hz > 0.0 and not there):
            locked = 0
            heard.clear()
        if hz > 0.0:
            locked += 1
            heard.append(hz)
        found = locked > LOCK_UPDATES
        yield TrackLevels(
            end_frame=tick + 1,
            captured_ns=0,
            tone_hz=sum(heard) / len(heard) if found else 0.0,
            tone_s=locked * UPDATE_S if found else 0.0,
            vu=zero,
            tone_vu=tone_vu[tick] if found else absent,
            fine_vu=absent,
            spread_db=absent,
            tone_share=share[tick] if found else zero,
            peak_dbfs=zero,
            clipped=no,
            rms_dbfs=rms_dbfs[tick],
        )


def metered(recorder: Recorder, bank: Bank, ticks: int) -> Iterable[TrackLevels]:
    """Yield what the meter says of the samples."""
    renderer = Renderer(recorder)
    meter = Meter(recorder.sample_rate_hz, recorder.tracks)
    patch = Patch(bank, bank.inputs, REFERENCE_DBFS, {})
    frames = recorder.frames_a_tick
    for tick in range(ticks):
        block = Block(renderer.render(tick * frames, frames), tick * frames, (tick + 1) * 10_000_000)
        for levels in meter.push(block):
            yield patch.tracks(levels)


def step_of(task: Task, target_vu: float) -> Step:
    """Return the step of a task."""
    adjustment: Adjustment = task.adjustment
    return Step(adjustment, task.tone_hz, 15.0, target_vu, 0.1)


def run_recorder(seed: int, generator: Generator) -> Outcome:
    """Play one calibration on the simulated recorder, and recognise it."""
    rate_hz = RATES_HZ[seed % len(RATES_HZ)]
    recorder, manner, hand = drawn_recorder(seed, rate_hz)
    if generator == "sound":
        hand = f"{rate_hz / 1000:g} kHz, {hand}"
    performance = perform(recorder, TASKS, manner, seed)
    ticks = math.ceil(performance.end_s / UPDATE_S)
    steps = [step_of(stage.task, stage.target_vu) for stage in performance.stages]
    bank = Bank(1, tuple(range(1, recorder.tracks + 1)), tuple(range(1, recorder.tracks + 1)))
    updates = metered(recorder, bank, ticks) if generator == "sound" else updates_of(render_levels(recorder, 0, ticks))
    watch = HandsFree(steps, 0, (), bank)
    # The person tells the path, while the tape is not yet at its tone; the rest follows from the tape.
    sync_from_s = performance.stages[2].end_s
    watched: list[tuple[int, Event]] = []
    obvious: list[Guess] = []
    way = Obvious(0, recorder.tracks)
    chosen = False
    began = time.perf_counter()
    spent = 0.0
    for tick, tracks in enumerate(updates):
        moment_s = (tick + 1) * UPDATE_S
        before = watch.index
        began = time.process_time()
        if not chosen and moment_s >= sync_from_s:
            chosen = True
            watched += [(before, event) for event in watch.close()]
            watch.choose(3)
            watch.begin()
        elif watch.follow(moment_s, tracks):
            watched += [(before, event) for event in watch.close()]
            watch.begin()
        step = steps[watch.index]
        watched += [(watch.index, event) for event in watch.watch(moment_s, step, tracks)]
        spent += time.process_time() - began
        if watch.index != before:
            obvious += way.guesses
            way = Obvious(watch.index, recorder.tracks)
        plays = abs(tracks.tone_hz - step.tone_hz) <= 0.03 * step.tone_hz
        way.push(tick + 1, tracks.tone_vu - step.target_vu if plays else np.full(recorder.tracks, np.nan))
    watched += [(watch.index, event) for event in watch.close()]
    obvious += way.guesses

    def moving(truth: Truth, moment_s: float) -> bool:
        if not truth.started_s < moment_s < truth.ended_s + 0.1:
            return False
        task = performance.stages[truth.step].task
        passage, path = recorder.content.tone(task.tone_hz), 1 if task.adjustment.startswith("sync") else 0
        now, before = (
            recorder.noiseless_vu(passage, path, round(at_s / POINT_S))[truth.track]
            - recorder.playback_db(np.array([at_s]))[0]
            for at_s in (moment_s, moment_s - 0.1)
        )
        return bool(abs(now - before) > MOVING_DB)

    return judged(
        generator,
        seed,
        recorder.tracks,
        math.hypot(recorder.condition.level_wander_db, 0.0),
        f"{hand}, {manner.hands} hand{'s' * (manner.hands - 1)}, {manner.follow}",
        true_acts(performance),
        watched,
        obvious,
        moving,
        ticks,
        spent,
    )


# -- the scenes


def run_scene(seed: int) -> Outcome:
    """Recognise one made-up calibration; its steps are given."""
    scene = scenes.scene(seed)
    watch = TrimWatch(scene.tracks)
    no = np.zeros(scene.tracks, dtype=bool)
    truths: list[Truth] = []
    watched: list[tuple[int, Event]] = []
    obvious: list[Guess] = []
    ways: dict[tuple[int, int, float], scenes.TrueTrim] = {}
    updates, start, spent = 0, 0, 0.0
    for step, tone in enumerate(scene.tones):
        way = Obvious(step, scene.tracks)
        offset_s = start * UPDATE_S
        for number, row in enumerate(tone.deviation_db, start + 1):
            began = time.process_time()
            watched += [(step, event) for event in watch.push(number * UPDATE_S, row, no)]
            spent += time.process_time() - began
            way.push(number, row)
        watched += [(step, event) for event in watch.restart()]
        obvious += way.guesses
        start += tone.deviation_db.shape[0]
        updates += tone.deviation_db.shape[0]
        for trim in tone.trims:
            truth = Truth(
                step,
                trim.track,
                trim.started_s + offset_s,
                trim.settled_s + offset_s,
                float(trim.as_found_db),
                float(trim.as_left_db),
                float(np.abs(trim.way_db - trim.way_db[0]).max()),
                trim.undone,
            )
            truths.append(truth)
            ways[step, trim.track, truth.started_s] = trim

    def moving(truth: Truth, moment_s: float) -> bool:
        trim = ways[truth.step, truth.track, truth.started_s]
        place = int((moment_s - truth.started_s) / UPDATE_S)
        lately_db = trim.way_db[max(place - 10, 0) : max(place, 0)]
        return lately_db.size > 0 and abs(float(lately_db[-1] - lately_db[0])) > MOVING_DB

    manner = f"{scene.hand}, {scene.spectrum}"
    return judged(
        "scenes", seed, scene.tracks, scene.wander_db, manner, truths, watched, obvious, moving, updates, spent
    )


# -- judging


def judged(
    generator: Generator,
    seed: int,
    tracks: int,
    wander_db: float,
    manner: str,
    truths: Sequence[Truth],
    watched: Sequence[tuple[int, Event]],
    obvious: Sequence[Guess],
    moving: Callable[[Truth, float], bool],
    updates: int,
    seconds: float,
) -> Outcome:
    """Hold what was recognised against the truth."""
    guesses = [
        Guess(
            step,
            event.track,
            event.started_s,
            event.ended_s,
            event.as_found.level_db,
            event.as_left.level_db,
            event.as_left.standard_error_db,
            event.settled_s,
        )
        for step, event in watched
        if isinstance(event, TrimFound)
    ]
    hits, missed, false = matched(truths, guesses)
    told = [event for _, event in watched if isinstance(event, TrimSettled)]
    told_moving = sum(
        any(truth.track == event.track and moving(truth, event.told_s) for truth in truths) for event in told
    )
    obvious_hits, _, obvious_false = matched(truths, obvious)
    real = [truth for truth in truths if truth.furthest_db >= LEAST_DB]
    wrong_step = sum(
        any(t.track == g.track and t.step != g.step and overlap_s(t, g) > -FOUND_WITHIN_S for t in real) for g in false
    )
    return Outcome(
        generator,
        seed,
        tracks,
        wander_db,
        manner,
        len(real),
        tuple(hits),
        tuple(missed),
        tuple(false),
        len(told),
        told_moving,
        wrong_step,
        len(obvious_hits),
        len(obvious_false),
        tuple(guess.as_left_db - truth.as_left_db for truth, guess in obvious_hits),
        updates,
        seconds,
    )


def overlap_s(truth: Truth, guess: Guess) -> float:
    """Return for how long a true act and a recognised one overlap; below 0, how far they are apart."""
    return min(truth.ended_s, guess.ended_s) - max(truth.started_s, guess.started_s)


def matched(
    truths: Sequence[Truth], guesses: Sequence[Guess]
) -> tuple[list[tuple[Truth, Guess]], list[Truth], list[Guess]]:
    """Pair true acts with recognised ones on the same track in the same step, the nearest first."""
    pairs = sorted(
        (
            (-overlap_s(truth, guess), t, g)
            for t, truth in enumerate(truths)
            for g, guess in enumerate(guesses)
            if truth.track == guess.track and truth.step == guess.step and overlap_s(truth, guess) >= -FOUND_WITHIN_S
        ),
    )
    used_truths: set[int] = set()
    used_guesses: set[int] = set()
    hits: list[tuple[Truth, Guess]] = []
    for _, t, g in pairs:
        if t not in used_truths and g not in used_guesses:
            used_truths.add(t)
            used_guesses.add(g)
            if truths[t].furthest_db >= LEAST_DB:
                hits.append((truths[t], guesses[g]))
    missed = [truth for t, truth in enumerate(truths) if t not in used_truths and truth.furthest_db >= LEAST_DB]
    return hits, missed, [guess for g, guess in enumerate(guesses) if g not in used_guesses]


# -- the report


def run(job: tuple[Generator, int]) -> Outcome:
    """Do one job of the pool."""
    generator, seed = job
    return run_scene(seed) if generator == "scenes" else run_recorder(seed, generator)


def row(name: str, outcomes: Sequence[Outcome], keep: Callable[[Outcome, Truth], bool] | None = None) -> str:
    """Return a line of the table; ``keep`` picks true acts, and then false ones are not counted."""
    hits = [(o, t, g) for o in outcomes for t, g in o.hits if keep is None or keep(o, t)]
    missed = sum(1 for o in outcomes for t in o.missed if keep is None or keep(o, t))
    total = len(hits) + missed
    if total == 0:
        return f"{name:34s}        –"
    errors = np.array([g.as_left_db - t.as_left_db for _, t, g in hits]) if hits else np.zeros(1)
    within = np.array([abs(g.as_left_db - t.as_left_db) <= 2.0 * g.standard_error_db for _, t, g in hits] or [False])
    waits = np.array([g.settled_s - t.ended_s for _, t, g in hits] or [math.nan])
    waits = waits[np.isfinite(waits)]
    worth = sum(o.calibrations for o in outcomes)
    false = f"{sum(len(o.false) for o in outcomes) / worth:6.3f}" if keep is None else "     –"
    wait = f"{np.median(waits):5.2f}" if waits.size else "    –"
    return (
        f"{name:34s}{total:7d} {100.0 * len(hits) / total:7.2f} {false} "
        f"{np.sqrt(np.mean(errors**2)):7.3f} {np.quantile(np.abs(errors), 0.95):7.3f} "
        f"{100.0 * within.mean():6.1f} {wait}"
    )


HEADER: Final = (
    f"{'':34s}{'true':>7s} {'found':>7s} {'false':>6s} {'as left, error dB':>15s} {'in 2 SE':>6s} {'settled'}\n"
    f"{'':34s}{'trims':>7s} {'%':>7s} {'/cal':>6s} {'rms':>7s} {'95 %':>7s} {'%':>6s} {'s':>5s}"
)


def report(generator: Generator, outcomes: Sequence[Outcome]) -> None:
    """Print all that was found out with one generator."""
    print(f"\n== {generator}: {len(outcomes)} calibrations, seeds {outcomes[0].seed}–{outcomes[-1].seed}\n")
    print(HEADER)
    print(row("all", outcomes))
    for low, high in ((0.0, 0.05), (0.05, 0.1), (0.1, 0.2), (0.2, 1.0)):
        print(row(f"wander {low:g}–{high:g} dB", [o for o in outcomes if low <= o.wander_db < high]))
    for low, high in ((0.0, 1.0), (1.0, 2.0), (2.0, 4.0), (4.0, 8.0), (8.0, 1e9)):
        name = f"trim {low:g}–{high:g} × wander" if high < 1e9 else f"trim over {low:g} × wander"

        def sized(o: Outcome, t: Truth, low: float = low, high: float = high) -> bool:
            return low <= (t.furthest_db if t.undone else abs(t.as_left_db - t.as_found_db)) / o.wander_db < high

        print(row(name, outcomes, sized))
    print(row("undone", outcomes, lambda _, t: t.undone))
    for tracks in sorted({o.tracks for o in outcomes}):
        print(row(f"{tracks} tracks", [o for o in outcomes if o.tracks == tracks]))
    for manner in sorted({o.manner for o in outcomes}):
        print(row(manner, [o for o in outcomes if o.manner == manner]))
    if generator != "scenes":
        for step, task in enumerate(TASKS):
            print(row(f"{task.adjustment}, {task.tone_hz:g} Hz", outcomes, lambda _, t, step=step: t.step == step))  # type: ignore[misc]
    goals(outcomes)
    worst(outcomes)


def goals(outcomes: Sequence[Outcome]) -> None:
    """Print the goals, what was measured beside them, and the obvious way."""
    trims = sum(o.trims for o in outcomes)
    worth = sum(o.calibrations for o in outcomes)
    hits = [(o, t, g) for o in outcomes for t, g in o.hits]
    clear = [(o, t) for o in outcomes for t in (*o.missed, *(t for t, _ in o.hits)) if _clear(o, t)]
    clear_hits = sum(1 for o, t, _ in hits if _clear(o, t))
    at_1khz = np.array(
        [g.as_left_db - t.as_left_db for o, t, g in hits if 0.03 <= o.wander_db <= 0.05 and t.step in (0, 3)] or [0.0]
    )
    within = np.mean([abs(g.as_left_db - t.as_left_db) <= 2.0 * g.standard_error_db for _, t, g in hits])
    waits = np.array([g.settled_s - t.ended_s for o, t, g in hits if o.wander_db <= 0.05] or [math.nan])
    moving, told = sum(o.told_moving for o in outcomes), sum(o.told for o in outcomes)
    false = sum(len(o.false) for o in outcomes)
    wrong = sum(o.wrong_step for o in outcomes)
    obvious = np.array([error for o in outcomes for error in o.obvious_error_db] or [0.0])
    print(
        f"\n{'':58s}{'goal':>12s}{'measured':>12s}{'obvious way':>13s}\n"
        f"{'trims found, % of all':58s}{'≥ 99.5':>12s}{100 * len(hits) / trims:12.2f}"
        f"{100 * sum(o.obvious_hits for o in outcomes) / trims:13.2f}\n"
        f"{'  of those that go 4 × wander and more':58s}{'':12s}{100 * clear_hits / max(len(clear), 1):12.2f}\n"
        f"{'false trims a calibration of 16 tracks × 4 steps':58s}{'≤ 0.2':>12s}{false / worth:12.3f}"
        f"{sum(o.obvious_false for o in outcomes) / worth:13.3f}\n"
        f"{'trims in the wrong step':58s}{'0':>12s}{wrong:12d}\n"
        f"{'as left, 1 kHz, wander 0.03–0.05 dB, 95 % within, dB':58s}{'0.03':>12s}"
        f"{np.quantile(np.abs(at_1khz), 0.95):12.3f}\n"
        f"{'as left, any, error rms, dB':58s}{'':12s}"
        f"{np.sqrt(np.mean([(g.as_left_db - t.as_left_db) ** 2 for _, t, g in hits])):12.3f}"
        f"{np.sqrt(np.mean(obvious**2)):13.3f}\n"
        f"{'as left within 2 standard errors, any wander, %':58s}{'95':>12s}{100 * within:12.1f}\n"
        f"{'settled is said after, wander to 0.05 dB, median, s':58s}{'≤ 2':>12s}{np.nanmedian(waits):12.2f}\n"
        f"{'settled is said while the hand moves, of ' + str(told):58s}{'0':>12s}{moving:12d}\n"
        f"{'time for an update, µs':58s}{'':12s}"
        f"{1e6 * sum(o.seconds for o in outcomes) / sum(o.updates for o in outcomes):12.0f}"
    )


def _clear(outcome: Outcome, truth: Truth) -> bool:
    size_db = truth.furthest_db if truth.undone else abs(truth.as_left_db - truth.as_found_db)
    return size_db >= 4.0 * outcome.wander_db


def worst(outcomes: Sequence[Outcome]) -> None:
    """Print the ten worst cases: false trims and misses by how far they stand out, then errors in standard errors."""
    cases: list[tuple[float, str]] = []
    for o in outcomes:
        where = f"seed {o.seed}, {o.tracks} tracks, wander {o.wander_db:.3f} dB, {o.manner}"
        for t in o.missed:
            size_db = t.furthest_db if t.undone else abs(t.as_left_db - t.as_found_db)
            what = f"missed {t.as_found_db:+.2f} → {t.as_left_db:+.2f}{' undone' if t.undone else ''}"
            cases.append((size_db / o.wander_db, f"{what}, {_place(t)}; {where}"))
        for g in o.false:
            size_db = abs(g.as_left_db - g.as_found_db)
            what = f"false {g.as_found_db:+.2f} → {g.as_left_db:+.2f}"
            cases.append((2.0 + size_db / o.wander_db, f"{what}, {_place(g)}; {where}"))
        for t, g in o.hits:
            error_db = abs(g.as_left_db - t.as_left_db)
            what = f"left {t.as_left_db:+.3f}, said {g.as_left_db:+.3f} ± {g.standard_error_db:.3f}"
            cases.append((error_db / o.wander_db, f"{what}, {_place(t)}; {where}"))
    print("\nThe ten worst cases:")
    for weight, text in sorted(cases, reverse=True)[:10]:
        print(f"  {weight:7.1f}  {text}")


def _place(act: Truth | Guess) -> str:
    return f"step {act.step + 1} track {act.track + 1} at {act.started_s:.1f}–{act.ended_s:.1f} s"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(prog="bench recognition", description=__doc__.split("\n")[0])
    parser.add_argument("--calibrations", type=int, default=300, help="from each generator (default 300)")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED, help=f"default {FIRST_SEED}")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument(
        "--generator", choices=["recorder", "scenes", "sound"], action="append", help="default the first two"
    )
    options = parser.parse_args(arguments)
    if options.calibrations < 1:
        parser.error("--calibrations must be 1 or more")
    seeds = range(options.first_seed, options.first_seed + options.calibrations)
    generators: list[Generator] = options.generator or ["recorder", "scenes"]
    began = time.perf_counter()
    with ProcessPoolExecutor(options.workers) as pool:
        for generator in generators:
            report(generator, list(pool.map(run, [(generator, seed) for seed in seeds], chunksize=1)))
    print(f"\n{time.perf_counter() - began:.0f} s with {options.workers} workers")
    return 0


if __name__ == "__main__":
    sys.exit(main())
