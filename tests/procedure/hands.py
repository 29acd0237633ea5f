"""Levels of tracks with a hand on them, made up for tests: shapes and noise are stated, so the truth is known."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from bridge.procedure.trim_watch import Event, TrimFound, TrimWatch

Floats = NDArray[np.float64]


def tape(seconds: float, tracks: int, wander_db: float, seed: int = 1, memory_s: float = 0.3) -> Floats:
    """Levels around 0 dB with wander of the first order: its correlation falls to 1/e in ``memory_s``."""
    rng = np.random.default_rng(seed)
    updates = round(seconds * 100)
    pole = np.exp(-0.01 / memory_s)
    driven = rng.standard_normal((updates + 2000, tracks)) * np.sqrt(1.0 - pole**2)
    wander = lfilter([1.0], [1.0, -pole], driven, axis=0)[2000:]
    return np.asarray(wander_db * wander + 0.005 * rng.standard_normal((updates, tracks)))


def move(levels: Floats, track: int, start_s: float, end_s: float, by_db: float) -> None:
    """Turn a trimmer by a raised cosine; everything after stays there."""
    start, end = round(start_s * 100), round(end_s * 100)
    way = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, end - start))
    levels[start:end, track] += by_db * way
    levels[end:, track] += by_db


def watched(levels: Floats, watch: TrimWatch | None = None, start: int = 0) -> tuple[TrimWatch, list[Event]]:
    """All events of some levels; the watch stays open."""
    watch = watch or TrimWatch(levels.shape[1])
    no = np.zeros(levels.shape[1], dtype=bool)
    events: list[Event] = []
    for number, row in enumerate(levels, start + 1):
        events += watch.push(number * 0.01, row, no)
    return watch, events


def trims(events: Sequence[Event]) -> list[TrimFound]:
    return [event for event in events if isinstance(event, TrimFound)]


def recognised(levels: Floats) -> list[TrimFound]:
    """The trims in some levels, to the end of the step."""
    watch, events = watched(levels)
    return trims([*events, *watch.restart()])
