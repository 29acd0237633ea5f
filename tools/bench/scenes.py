"""Calibrations as levels, made up: a seed goes in, what each track deviates 100 times a second comes out, with truth.

This is a generator of its own, beside the simulated recorder: other spectra of wander, other dropouts, other hands. It
makes no samples, so hundreds of calibrations take minutes.
"""

from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

UPDATE_S: Final = 0.01

Spectrum = Literal["corner", "band", "one over f", "reel"]
SPECTRA: Final[tuple[Spectrum, ...]] = ("corner", "band", "one over f", "reel")
HANDS: Final = ("careful", "usual", "hasty")


@dataclass(frozen=True, slots=True, eq=False)
class TrueTrim:
    """What really happened to one trimmer. Seconds count from the start of the tone, tracks from 0."""

    track: int
    started_s: float
    settled_s: float
    as_found_db: float
    as_left_db: float
    undone: bool
    way_db: Floats = field(repr=False)

    def moves_on_db(self, moment_s: float) -> float:
        """Return how far the trimmer will still go after a moment."""
        place = max(0, int((moment_s - self.started_s) / UPDATE_S))
        return float(np.ptp(self.way_db[place:])) if place < self.way_db.size else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Tone:
    """One tone of a calibration: deviations of shape (updates, tracks) and the truth about them."""

    hz: float
    deviation_db: Floats
    trims: tuple[TrueTrim, ...]
    left_db: Floats


@dataclass(frozen=True, slots=True)
class Scene:
    """The conditions of one calibration."""

    seed: int
    tracks: int
    wander_db: float
    spectrum: Spectrum
    common_share: float
    dropouts_per_minute: float
    hand: str
    tones: tuple[Tone, ...] = field(repr=False)


def wander(rng: np.random.Generator, updates: int, tracks: int, spectrum: Spectrum, common_share: float) -> Floats:
    """Return wander of unit standard deviation, shape (updates, tracks).

    ``common_share`` of its power is the same on all tracks; of the rest, neighbours share some.
    """
    size = 2 * updates
    hz = np.fft.rfftfreq(size, UPDATE_S)
    with np.errstate(divide="ignore"):
        if spectrum == "corner":
            power = 1.0 / (1.0 + (hz / rng.uniform(0.3, 1.0)) ** 2)
        elif spectrum == "band":
            power = np.where(hz <= 3.0, 1.0, 0.0) * (hz >= 0.1)
        elif spectrum == "one over f":
            power = np.where(hz > 0.0, 1.0 / np.maximum(hz, 1e-9), 0.0)
        else:
            power = 0.15 / (1.0 + (hz / 0.5) ** 2)
    power *= (hz >= 0.02) & (hz <= 10.0)
    power /= max(power.sum(), 1e-12)
    spectra = rng.standard_normal((hz.size, tracks + 1)) + 1j * rng.standard_normal((hz.size, tracks + 1))
    made = np.fft.irfft(spectra * np.sqrt(power)[:, np.newaxis], axis=0)[:updates] * size / 2.0
    if spectrum == "reel":
        moments = np.arange(updates)[:, np.newaxis] * UPDATE_S
        reel_hz = rng.uniform(0.4, 2.0)
        turning = np.sqrt(2.0) * np.sin(2.0 * np.pi * (reel_hz * moments + rng.random(tracks + 1)))
        made = 0.6 * made + 0.8 * turning
    own = made[:, 1:].copy()
    for track in range(1, tracks):
        own[:, track] = 0.4 * own[:, track - 1] + np.sqrt(1.0 - 0.16) * own[:, track]
    mixed: Floats = np.sqrt(common_share) * made[:, :1] + np.sqrt(1.0 - common_share) * own
    return mixed


def _eased(updates: int) -> Floats:
    """Return the least jerky way from 0 to 1 (Flash and Hogan, Journal of Neuroscience 5(7), 1985, from memory)."""
    way = np.linspace(0.0, 1.0, max(updates, 2))
    eased: Floats = way**3 * (10.0 - 15.0 * way + 6.0 * way**2)
    return eased


def _updates(seconds: float) -> int:
    return max(2, round(seconds / UPDATE_S))


def _moves(start_db: float, stops: list[tuple[float, float, float]]) -> Floats:
    """Return a way over stops of (level, seconds to get there, seconds to stay)."""
    pieces: list[Floats] = []
    level_db = start_db
    for to_db, seconds, rest_s in stops:
        pieces.append(level_db + (to_db - level_db) * _eased(_updates(seconds)))
        if rest_s > 0.0:
            pieces.append(np.full(_updates(rest_s), to_db))
        level_db = to_db
    return np.concatenate(pieces)


def act(rng: np.random.Generator, hand: str, found_db: float, left_db: float, undone: bool) -> Floats:
    """Return the way of one trimmer, from the first movement to the last, 100 points a second."""
    size = abs(left_db - found_db)
    pace = {"careful": 1.6, "usual": 1.0, "hasty": 0.55}[hand]
    seconds = pace * (0.5 + 0.5 * np.sqrt(size)) * rng.uniform(0.7, 1.4)
    if undone:
        away_db = found_db + rng.choice([-1.0, 1.0]) * rng.uniform(0.4, 2.5)
        stops = [(away_db, seconds, rng.uniform(0.2, 1.0) * pace), (found_db, seconds, 0.0)]
        return _moves(found_db, stops)
    shape = rng.random()
    stops = []
    if shape < 0.35:
        stops = [(left_db, seconds, 0.0)]
    elif shape < 0.55 and size > 0.5:
        turns = int(rng.integers(2, 5))
        for turn in range(1, turns):
            to_db = found_db + (left_db - found_db) * turn / turns
            stops.append((to_db, seconds / turns, rng.uniform(0.15, 0.45)))
        stops.append((left_db, seconds / turns, 0.0))
    elif shape < 0.8:
        beyond_db = left_db + (left_db - found_db) * rng.uniform(0.1, 0.5)
        stops = [(beyond_db, seconds, rng.uniform(0.1, 0.9)), (left_db, 0.6 * seconds, 0.0)]
    else:
        most_db = found_db + (left_db - found_db) * rng.uniform(0.6, 0.9)
        stops = [(most_db, 0.8 * seconds, rng.uniform(0.3, 1.0)), (left_db, 0.5 * seconds, 0.0)]
    way = _moves(found_db, stops)
    if rng.random() < 0.15:
        for start in rng.integers(0, way.size, size=int(rng.integers(1, 4))):
            way[start : min(start + int(rng.integers(1, 4)), way.size - 1)] += rng.uniform(-2.0, 1.0)
    return way


def dropouts(rng: np.random.Generator, updates: int, tracks: int, per_minute: float) -> Floats:
    """Return what dropouts take away, shape (updates, tracks), 0 or below; NaN where nothing is left."""
    taken = np.zeros((updates, tracks))
    for _ in range(rng.poisson(per_minute * updates * UPDATE_S / 60.0)):
        length = int(rng.integers(2, 31)) if rng.random() < 0.85 else int(rng.integers(30, 51))
        depth_db = rng.uniform(0.5, 20.0)
        shape = rng.integers(3)
        moments = np.linspace(-1.0, 1.0, length)
        dip = (np.cos(0.5 * np.pi * moments) ** 2, np.ones(length), 1.0 - np.abs(moments))[shape]
        start, first = int(rng.integers(0, max(updates - length, 1))), int(rng.integers(0, tracks))
        for track in range(first, min(first + int(rng.integers(1, 4)), tracks)):
            taken[start : start + length, track] -= depth_db * rng.uniform(0.5, 1.0) * dip
    return np.where(taken < -18.0, np.nan, taken)


def _found(rng: np.random.Generator) -> float:
    return float(rng.choice([-1.0, 1.0]) * 0.1 * 80.0 ** rng.random())


def tone(rng: np.random.Generator, scene: Scene, hz: float) -> Tone:
    """Return one tone of a calibration with a hand that goes along its tracks."""
    found = np.array([_found(rng) for _ in range(scene.tracks)])
    pace = {"careful": 1.5, "usual": 1.0, "hasty": 0.6}[scene.hand]
    level_db = found.copy()
    ways: list[tuple[int, int, Floats]] = []
    trims: list[TrueTrim] = []
    now = _updates(rng.uniform(1.5, 4.0))
    # In some tones someone moves the playback level, between two trims.
    stepped_at, step_db = -1, 0.0
    untouched = rng.random(scene.tracks) < 0.15
    level_step_after = int(rng.integers(0, scene.tracks)) if rng.random() < 0.2 else -1
    jobs = [(track, False) for track in range(scene.tracks) if not untouched[track]]
    for track in range(scene.tracks):
        if untouched[track]:
            level_db[track] = rng.normal(0.0, 0.04)
        elif rng.random() < 0.05:
            jobs.append((track, True))
    start_db = level_db.copy()
    for number, (track, again) in enumerate(jobs):
        from_db = level_db[track]
        undone = not again and rng.random() < 0.06
        to_db = from_db if undone else float(rng.normal(0.0, 0.03))
        if not undone and abs(to_db - from_db) < 0.1:
            to_db = from_db + float(rng.choice([-1.0, 1.0]) * rng.uniform(0.1, 0.2))
        way = act(rng, scene.hand, from_db, to_db, undone)
        ways.append((track, now, way))
        trims.append(TrueTrim(track, now * UPDATE_S, (now + way.size) * UPDATE_S, from_db, to_db, undone, way))
        level_db[track] = to_db
        now += way.size + _updates(pace * rng.uniform(1.0, 4.0))
        if number == level_step_after:
            now += _updates(2.5)
            stepped_at, step_db = now, float(rng.choice([-1.0, 1.0]) * rng.uniform(0.3, 2.0))
            now += _updates(rng.uniform(3.0, 5.0))
    updates = now + _updates(rng.uniform(3.0, 6.0))
    levels = np.tile(start_db, (updates, 1))
    for track, start, way in ways:
        levels[start : start + way.size, track] = way
        levels[start + way.size :, track] = way[-1]
    if stepped_at >= 0:
        ramp = _eased(_updates(rng.uniform(0.02, 0.8))) * step_db
        levels[stepped_at : stepped_at + ramp.size] += ramp[:, np.newaxis]
        levels[stepped_at + ramp.size :] += step_db
        moved = [trim.started_s > stepped_at * UPDATE_S for trim in trims]
        trims = [
            replace(t, as_found_db=t.as_found_db + step_db, as_left_db=t.as_left_db + step_db) if after else t
            for t, after in zip(trims, moved, strict=True)
        ]
    left = levels[-1].copy()
    levels += scene.wander_db * wander(rng, updates, scene.tracks, scene.spectrum, scene.common_share)
    levels += rng.uniform(0.004, 0.02) * rng.standard_normal(levels.shape)
    levels += dropouts(rng, updates, scene.tracks, scene.dropouts_per_minute)
    silent = np.full((_updates(rng.uniform(0.5, 2.0)), scene.tracks), np.nan)
    lead_s = silent.shape[0] * UPDATE_S
    shifted = tuple(replace(t, started_s=t.started_s + lead_s, settled_s=t.settled_s + lead_s) for t in trims)
    return Tone(hz, np.concatenate([silent, levels, silent]), shifted, left)


def scene(seed: int, wander_db: float | None = None) -> Scene:
    """Return one calibration; everything about it comes from the seed."""
    rng = np.random.default_rng(seed)
    drawn_db = float(0.02 * 15.0 ** rng.random())
    conditions = Scene(
        seed=seed,
        tracks=int(rng.choice([8, 16, 24])),
        wander_db=drawn_db if wander_db is None else wander_db,
        spectrum=SPECTRA[int(rng.integers(len(SPECTRA)))],
        common_share=float(rng.uniform(0.0, 0.7)),
        dropouts_per_minute=float(rng.uniform(0.0, 6.0)),
        hand=HANDS[int(rng.integers(len(HANDS)))],
        tones=(),
    )
    return replace(conditions, tones=tuple(tone(rng, conditions, hz) for hz in (1000.0, 10_000.0, 100.0, 1000.0)))
