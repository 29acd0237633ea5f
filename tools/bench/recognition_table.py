"""The table of recognition by difficulty: what became of all calibrations goes in, lines are printed."""

import math
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from tools.bench.judging import SHARP_S, TASKS, Generator, Guess, Outcome, Truth, overlap_s


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
    blurred = sum(1 for _, t, g in hits if overlap_s(t, g) < -SHARP_S)
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
        f"{'  of all, at a moment off by more than ' + f'{SHARP_S:g} s':58s}{'':12s}{100 * blurred / trims:12.2f}\n"
        f"{'false trims a calibration of 16 tracks × 4 steps':58s}{'≤ 0.2':>12s}{false / worth:12.3f}"
        f"{sum(o.obvious_false for o in outcomes) / worth:13.3f}\n"
        f"{'  of those with no hand on the trimmer within 20 s':58s}{'':12s}"
        f"{sum(o.false_apart for o in outcomes) / worth:12.3f}\n"
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
