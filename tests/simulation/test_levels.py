"""Levels without samples against the levels of the samples."""

from dataclasses import replace

import numpy as np
import pytest

from bridge.simulation.condition import Condition
from bridge.simulation.levels import TickLevels, render_levels
from bridge.simulation.recorder import Recorder
from bridge.simulation.tape import Passage, Sound, TapeContent
from tests.simulation.machines import PERFECT, TAPE, heard, machine, rms_dbfs, with_tone

RATE_HZ = 48_000
EVEN = replace(Condition(), speed_error=0.0, flutter_weighted_peak=0.0)
"""Tape that runs evenly: then a plain quadrature over a tick needs to follow nothing."""


def quadrature(samples: np.ndarray, hz: float) -> np.ndarray:
    """Complex amplitude of each track in each hundredth of a second, shape (ticks, tracks)."""
    turning = np.exp(-2j * np.pi * hz * np.arange(samples.shape[0]) / RATE_HZ)
    found = 2j * samples * turning[:, np.newaxis]
    return np.asarray(found.reshape(-1, RATE_HZ // 100, samples.shape[1]).mean(axis=1))


def level_db(amplitude: np.ndarray) -> np.ndarray:
    return np.asarray(20.0 * np.log10(np.abs(amplitude)))


@pytest.mark.parametrize("hz", [1000.0, 10_000.0])
def test_without_noise_samples_and_levels_agree_tick_by_tick(hz: float) -> None:
    condition = replace(
        EVEN, hiss_db=-200.0, hum_db=-200.0, converter_noise_dbfs=-200.0, dropouts_per_minute=30.0, level_wander_db=0.2
    )
    recorder = with_tone(hz, condition, tracks=4, seed=3)
    recorder.turn(2, "repro level", 0.2, 120)
    recorder.turn(3, "repro high", -0.3, 200)
    recorder.set_playback(1.5, 500)
    found = quadrature(heard(recorder, 0.0, 12.0), hz)[2:]
    levels = render_levels(recorder, 2, 1198)
    assert level_db(found) == pytest.approx(levels.tone_dbfs, abs=0.002)
    turned = np.abs(np.angle(found * np.exp(-1j * levels.phase_rad)))
    assert np.median(turned) < 1e-4
    # Where a level changes quickly, the image at twice the frequency leaks into a plain quadrature.
    assert turned.max() < 0.02
    assert np.ptp(levels.tone_dbfs, axis=0).min() > 1.0


@pytest.mark.parametrize("hz", [1000.0, 10_000.0])
def test_noise_scatters_both_alike(hz: float) -> None:
    noisy = replace(PERFECT, hiss_db=-40.0, converter_noise_dbfs=-70.0)
    recorder = with_tone(hz, noisy, tracks=4, seed=3)
    # The levels against the truth, which is -18 dBFS, over 20 s: 2000 values a track.
    samples_db = level_db(quadrature(heard(recorder, 1.0, 21.0), hz)) + 18.0
    levels_db = render_levels(recorder, 100, 2000).tone_dbfs + 18.0
    assert samples_db.mean(axis=0) == pytest.approx(np.zeros(4), abs=0.005)
    assert levels_db.mean(axis=0) == pytest.approx(np.zeros(4), abs=0.005)
    assert levels_db.std() == pytest.approx(samples_db.std(), rel=0.05)
    assert levels_db.std() > 0.001
    # Neither repeats itself, nor follows from one tick to the next.
    for scattered in (samples_db, levels_db):
        assert abs(np.corrcoef(scattered[1:, 0], scattered[:-1, 0])[0, 1]) < 0.1
        assert abs(np.corrcoef(scattered[:, 1], scattered[:, 0])[0, 1]) < 0.1


def test_hum_disturbs_both_alike_where_it_is_near() -> None:
    recorder = with_tone(100.0, replace(PERFECT, hum_db=-40.0, mains_hz=60.0), tracks=3, seed=3)
    # Ten milliseconds are one period of 100 Hz.
    found = quadrature(heard(recorder, 1.0, 3.0), 100.0)
    levels = render_levels(recorder, 100, 200)
    assert level_db(found) == pytest.approx(levels.tone_dbfs, abs=0.002)
    assert np.ptp(levels.tone_dbfs) > 0.02


def test_the_frequency_follows_speed_error_and_flutter() -> None:
    recorder = with_tone(1000.0, replace(PERFECT, speed_error=-0.004, flutter_weighted_peak=0.002), seed=3)
    hz = render_levels(recorder, 0, 6000).tone_hz
    assert hz.mean() == pytest.approx(996.0, abs=0.05)
    assert 0.5 < hz.std() < 4.0


def test_the_same_ticks_have_the_same_levels_however_they_are_asked_for() -> None:
    recorder = with_tone(1000.0, Condition(), tracks=3, seed=3)
    recorder.turn(2, "repro level", 0.2, 1100)
    whole = render_levels(recorder, 0, 2500)
    for first, ticks in ((0, 1), (990, 30), (1099, 8), (1500, 1000)):
        part = render_levels(recorder, first, ticks)
        here = slice(first, first + ticks)
        assert part.tone_dbfs == pytest.approx(whole.tone_dbfs[here], abs=1e-9)
        assert part.other_dbfs == pytest.approx(whole.other_dbfs[here], abs=1e-9)
        assert part.tone_hz == pytest.approx(whole.tone_hz[here], abs=1e-6)


def of_a_programme() -> tuple[Recorder, TickLevels]:
    rng = np.random.default_rng(1)
    voice = Sound(rng.standard_normal(2 * RATE_HZ).astype(np.float32), RATE_HZ)
    content = TapeContent(
        [
            Passage("pause", 1.0),
            Passage("sound", 2.0, level_db=-6.0, sound=voice),
            Passage("pause", 1.0),
            Passage("tone", 3.0, 1000.0),
            Passage("tone", 3.0, 10_000.0, -10.0),
            Passage("sweep", 2.0, 100.0, 0.0, 10_000.0),
        ]
    )
    recorder = Recorder(machine(2), TAPE, replace(PERFECT, hiss_db=-50.0), content=content)
    recorder.transport.jump(0.0, 0)
    recorder.transport.locate(4.5, 1000)
    recorder.select_path("input", 1200)
    return recorder, render_levels(recorder, 0, 1300)


def test_a_programme_is_told_apart() -> None:
    _, levels = of_a_programme()
    hz = levels.tone_hz
    assert not hz[:400].any()
    assert hz[401:699] == pytest.approx(np.full(298, 1000.0))
    assert hz[701:999] == pytest.approx(np.full(298, 10_000.0))
    assert (levels.tone_dbfs[:400] < -150.0).all()
    assert levels.tone_dbfs[701:999] == pytest.approx(np.full((298, 2), -28.0), abs=0.2)
    assert np.isnan(levels.phase_rad[:400]).all()
    # Winding, then the tone again; on the inputs there is nothing.
    assert not hz[1000:1010].any()
    assert hz[1100:1200] == pytest.approx(np.full(100, 1000.0), abs=2.0)
    assert not hz[1200:].any()
    assert (levels.other_dbfs[1200:] < -150.0).all()


def test_all_that_is_no_tone_has_its_level() -> None:
    recorder, levels = of_a_programme()
    assert levels.other_dbfs[:100] == pytest.approx(np.full((100, 2), -68.0), abs=0.01)
    voice = 10.0 * np.log10(np.mean(10.0 ** (levels.other_dbfs[110:290] / 10.0), axis=0))
    assert voice == pytest.approx(np.full(2, -24.0), abs=0.3)
    assert voice == pytest.approx(rms_dbfs(heard(recorder, 1.1, 2.9)), abs=0.2)


def test_a_sweep_rises() -> None:
    content = TapeContent([Passage("sweep", 10.0, 100.0, 0.0, 10_000.0)])
    recorder = Recorder(machine(2), TAPE, PERFECT, content=content)
    recorder.transport.jump(0.0, 0)
    levels = render_levels(recorder, 0, 950)
    assert levels.tone_hz[500] == pytest.approx(1000.0 * 100.0**0.0005, rel=0.001)
    assert levels.tone_dbfs[5:] == pytest.approx(np.full((945, 2), -18.0), abs=0.01)
