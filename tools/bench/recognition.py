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
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Final

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from bridge.metering.meter import Meter
from bridge.procedure.bank import Bank
from bridge.procedure.hands_free import HandsFree
from bridge.procedure.patch import Patch, TrackLevels
from bridge.procedure.steps import Step
from bridge.procedure.trim_watch import Event, TrimWatch
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
from tools.bench.judging import LEAST_DB, TASKS, UPDATE_S, Generator, Guess, Outcome, Truth, judged
from tools.bench.obvious import Obvious
from tools.bench.recognition_table import report

FIRST_SEED: Final = 10_000
MOVING_DB: Final = 0.02
"""A hand that has moved the level by less than this in the last tenth of a second does not move, for a meter."""

ONE_ACT_S: Final = 8.0
"""A hand that is back on the same trimmer within this time, with no other turned meanwhile, never left it."""

REFERENCE_DBFS: Final = -18.0
RATES_HZ: Final = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
FOUND_HZ_UPDATES: Final = 40
LOCK_UPDATES: Final = 17
"""The meter finds a tone after 0.17 s and says its frequency as a mean over 0.4 s."""


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
            rms_vu=rms_dbfs[tick] - REFERENCE_DBFS,
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
        recorder.condition.level_wander_db,
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


# -- all of them


def run(job: tuple[Generator, int]) -> Outcome:
    """Do one job of the pool."""
    generator, seed = job
    return run_scene(seed) if generator == "scenes" else run_recorder(seed, generator)


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
