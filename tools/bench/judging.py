"""What was recognised against the truth: true acts and what was said of them go in, what became of each comes out."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from bridge.procedure.trim_watch import Event, TrimFound, TrimSettled
from bridge.simulation.calibration import Task

Generator = Literal["recorder", "scenes", "sound"]

UPDATE_S: Final = 0.01

TASKS: Final = (
    Task("repro level", 1000.0),
    Task("repro high", 10_000.0),
    Task("repro low", 100.0),
    Task("sync level", 1000.0),
)

FOUND_WITHIN_S: Final = 8.0
"""A trim that is found must overlap the true one, give or take this. A small one in much wander has no sharp moment.
More than `SHARP_S` counts only where nothing else was done to that trimmer within twice the time."""

SHARP_S: Final = 3.0
"""A moment that is off by more than this is counted apart."""

APART_S: Final = 20.0
"""A false trim this far from all that was done to its trimmer has nothing to do with any of it. Nearer ones are most
often one act that is told as two."""

LEAST_DB: Final = 0.1
"""A true trim goes at least so far from where it was found, at some moment of it. Less is not asked for."""


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
    false_apart: int
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
        sum(all(overlap_s(t, g) < -APART_S for t in truths if (t.track, t.step) == (g.track, g.step)) for g in false),
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


def _apart_s(one: Truth, other: Truth) -> float:
    return max(one.started_s, other.started_s) - min(one.ended_s, other.ended_s)


def matched(
    truths: Sequence[Truth], guesses: Sequence[Guess]
) -> tuple[list[tuple[Truth, Guess]], list[Truth], list[Guess]]:
    """Pair true acts with recognised ones on the same track in the same step, the nearest first."""
    crowded = {
        t
        for t, truth in enumerate(truths)
        for other in truths
        if other is not truth
        and (other.track, other.step) == (truth.track, truth.step)
        and _apart_s(truth, other) < 2.0 * FOUND_WITHIN_S
    }
    pairs = sorted(
        (
            (-overlap_s(truth, guess), t, g)
            for t, truth in enumerate(truths)
            for g, guess in enumerate(guesses)
            if overlap_s(truth, guess) >= -(SHARP_S if t in crowded else FOUND_WITHIN_S)
            and (truth.track, truth.step) == (guess.track, guess.step)
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
