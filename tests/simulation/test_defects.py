"""Wander, dropouts, flutter and the transport."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
import scipy.signal

from bridge.simulation.dropouts import DEEPEST_DB, Dropouts
from bridge.simulation.flutter import Flutter
from bridge.simulation.levels import render_levels
from bridge.simulation.slow import SlowProcess
from bridge.simulation.tape import Passage, Sound, TapeContent
from bridge.simulation.transport import TICK_S, WINDING, Transport
from tests.simulation.machines import PERFECT, TAPE, with_tone


def process(**more: float) -> SlowProcess:
    return SlowProcess(np.random.default_rng(1), 8, corner_hz=0.5, **more)  # type: ignore[arg-type]


def test_a_slow_process_has_unit_variance_and_no_mean() -> None:
    values = process().at(np.arange(0.0, 3000.0, 0.05))
    assert values.std(axis=0) == pytest.approx(np.ones(8), abs=0.02)
    assert np.abs(values.mean(axis=0)).max() < 0.05
    # Gaussian: three times the square of the variance.
    assert (values**4).mean(axis=0) == pytest.approx(np.full(8, 3.0), abs=0.5)


def test_a_slow_process_has_fallen_to_a_half_at_its_corner() -> None:
    values = SlowProcess(np.random.default_rng(2), 64, corner_hz=0.5).at(np.arange(0.0, 2000.0, 0.05))
    hz, density = scipy.signal.welch(values, 20.0, nperseg=1000, axis=0)
    density = density.mean(axis=1)

    def around(low_hz: float, high_hz: float) -> float:
        return float(density[(hz >= low_hz) & (hz <= high_hz)].mean())

    low = around(0.05, 0.15)
    # The same integral of 1 / (1 + (f / 0.5)^2) over the same bands.
    assert around(0.4, 0.6) / low == pytest.approx(0.505 / 0.959, rel=0.3)
    assert around(1.5, 2.5) / low == pytest.approx(0.061 / 0.959, rel=0.4)


def test_neighbours_wander_together_as_far_as_they_should() -> None:
    values = SlowProcess(np.random.default_rng(3), 200, corner_hz=0.5, neighbours=0.7).at(np.arange(0.0, 500.0, 0.1))
    correlation = np.corrcoef(values.T)
    assert np.diag(correlation, 1).mean() == pytest.approx(0.7, abs=0.03)
    assert np.diag(correlation, 2).mean() == pytest.approx(0.49, abs=0.04)
    assert np.diag(correlation, 20).mean() == pytest.approx(0.0, abs=0.05)


def test_a_slow_process_has_no_memory() -> None:
    slow = process()
    seconds = np.array([0.0, 1.0, 3600.0, 2.5])
    assert slow.at(seconds)[2] == pytest.approx(slow.at(np.array([3600.0]))[0], abs=1e-9)
    assert process().at(seconds) == pytest.approx(slow.at(seconds))


@pytest.mark.parametrize(
    ("hz", "spread_db"),
    [
        # Wallace (BSTJ XXX(4), 1951): 1 um costs 0.143 dB at 381 um and 1.432 dB at 38.1 um; 0.2 um a fifth of it.
        (1000.0, np.hypot(0.05, 0.143 / 5.0)),
        (10_000.0, np.hypot(0.05, 1.432 / 5.0)),
    ],
)
def test_wander_grows_towards_short_wavelengths(hz: float, spread_db: float) -> None:
    recorder = with_tone(hz, replace(PERFECT, level_wander_db=0.05, spacing_wander_um=0.2), seconds=1300.0)
    levels = render_levels(recorder, 0, 120_000).tone_dbfs
    assert levels.std(axis=0) == pytest.approx(np.full(8, spread_db), rel=0.06)
    assert levels.mean(axis=0) == pytest.approx(np.full(8, -18.0), abs=0.03)


def test_as_many_dropouts_pass_as_the_rate_says() -> None:
    dropouts = Dropouts((1, 2), 8, 6.0).between(0.0, 36_000.0)
    # A Poisson count of 3600 has a standard deviation of 60.
    assert len(dropouts) == pytest.approx(3600, abs=240)
    gaps_s = np.diff([dropout.position_s for dropout in dropouts])
    assert gaps_s.std() == pytest.approx(10.0, rel=0.1)
    assert {dropout.first_track for dropout in dropouts} == set(range(1, 9))
    assert all(1 <= dropout.first_track <= dropout.last_track <= 8 for dropout in dropouts)


def test_dropouts_are_seen_in_the_levels_where_they_are_on_the_tape() -> None:
    recorder = with_tone(1000.0, replace(PERFECT, dropouts_per_minute=20.0), tracks=8, seed=6)
    dropouts = recorder.dropouts.between(0.5, 119.5)
    levels = render_levels(recorder, 0, 12_000).tone_dbfs + 18.0
    touched = np.zeros_like(levels, dtype=bool)
    for dropout in dropouts:
        half_s = dropout.seconds / 2.0
        first, last = int((dropout.position_s - half_s) / TICK_S), int((dropout.position_s + half_s) / TICK_S)
        part = levels[first : last + 1, dropout.first_track - 1 : dropout.last_track]
        # 15 in/s and 1 kHz are 381 um. Over a tick the bottom of a short one is rounded off.
        depth_db = dropout.depth_db(381.0)
        assert -depth_db - 1e-6 <= part.min() < -0.3 * depth_db
        touched[first : last + 1, dropout.first_track - 1 : dropout.last_track] = True
    inside = slice(60, 11_940)
    assert np.abs(levels[inside][~touched[inside]]).max() < 1e-6


def test_a_dropout_is_deeper_at_short_wavelengths_and_never_bottomless() -> None:
    for dropout in Dropouts((3,), 8, 60.0).between(0.0, 600.0):
        # Wallace (BSTJ XXX(4), 1951): 54.575 dB a wavelength.
        assert dropout.depth_db(381.0) == pytest.approx(
            min(dropout.missing_db + 54.575 * dropout.lift_um / 381.0, DEEPEST_DB), abs=0.001
        )
        assert dropout.depth_db(381.0) <= dropout.depth_db(38.1) <= DEEPEST_DB


def test_the_same_dropout_comes_back_after_a_rewind() -> None:
    recorder = with_tone(1000.0, replace(PERFECT, dropouts_per_minute=30.0), seed=9)
    recorder.transport.jump(0.0, 3000)
    levels = render_levels(recorder, 0, 6000).tone_dbfs
    assert levels[:3000].min() < -20.0
    assert levels[:3000] == pytest.approx(levels[3000:], abs=1e-6)


def test_too_much_is_refused() -> None:
    with pytest.raises(ValueError, match="dropouts per minute"):
        Dropouts((1,), 8, -1.0)
    with pytest.raises(ValueError, match="weighted peak flutter"):
        Flutter(np.random.default_rng(1), 0.5, 381.0)


def test_the_flutter_table_says_the_same_as_flutter() -> None:
    flutter = Flutter(np.random.default_rng(1), 0.001, 381.0)
    offsets_s = np.arange(480) / 48_000
    assert flutter.table(offsets_s).ahead_s(12.34) == pytest.approx(flutter.ahead_s(12.34 + offsets_s), abs=1e-12)


def transport(flutter: float = 0.0, length_s: float = 100.0, rate: float = 1.0) -> Transport:
    return Transport(Flutter(np.random.default_rng(1), flutter, 381.0), length_s, rate)


def place(tape: Transport, tick: int) -> float:
    return float(tape.positions_s(tape.segment(tick), np.array([tick * TICK_S]))[0])


def test_the_tape_comes_up_to_speed_and_stops_where_it_is() -> None:
    tape = transport(rate=1.01)
    tape.play(100)
    tape.stop(1100)
    assert place(tape, 50) == 0.0
    # Ten seconds at 1.01, less what a start with a time constant of 0.12 s costs.
    assert place(tape, 1100) == pytest.approx(1.01 * (10.0 - 0.12), abs=1e-6)
    assert place(tape, 5000) == place(tape, 1100)
    tape.play(6000)
    assert place(tape, 7000) == pytest.approx(2.02 * (10.0 - 0.12), abs=1e-6)


def test_winding_takes_its_time() -> None:
    tape = transport()
    tape.jump(0.0, 0)
    arrival = tape.locate(70.0, 1000)
    assert arrival == 1000 + round(60.0 / WINDING / TICK_S)
    assert [run[0].motion for run in tape.runs(0, 3000)] == ["play", "wind", "play"]
    assert place(tape, 1100) == pytest.approx(10.0 + 30.0, abs=0.01)
    assert place(tape, arrival) == pytest.approx(70.0)
    # A command in between gives up what was planned.
    tape.stop(1100)
    assert [run[0].motion for run in tape.runs(0, 3000)] == ["play", "wind", "stop"]
    assert place(tape, 2999) == pytest.approx(40.0, abs=0.01)


def test_the_tape_ends() -> None:
    tape = transport(length_s=10.0)
    tape.jump(8.0, 0)
    assert place(tape, 500) == 10.0
    tape.locate(-5.0, 600, then_play=False)
    assert place(tape, 5000) == 0.0
    assert tape.segment(5000).motion == "stop"


def test_flutter_leaves_the_mean_speed() -> None:
    tape = transport(flutter=0.002, length_s=1e6)
    tape.jump(0.0, 0)
    assert place(tape, 100_000) == pytest.approx(1000.0, abs=0.01)
    assert place(tape, 123) != pytest.approx(1.23, abs=1e-7)


def test_runs_cover_every_tick_once() -> None:
    tape = transport()
    tape.play(10)
    tape.locate(50.0, 300)
    tape.stop(900)
    runs = list(tape.runs(5, 2000))
    assert runs[0][1] == 5
    assert sum(run[2] for run in runs) == 2000
    assert all(one[1] + one[2] == other[1] for one, other in itertools.pairwise(runs))


def test_a_calibration_tape_is_laid_out_in_order() -> None:
    voice = Sound(np.ones(4800, np.float32), 48_000)
    content = TapeContent.laid_out(TAPE, announcements=(voice,))
    kinds = [passage.kind for passage in content.passages]
    assert kinds == ["pause", *["sound", "pause", "tone"] * 3, "pause"]
    tones = [passage for passage in content.passages if passage.kind == "tone"]
    assert [(tone.hz, tone.seconds) for tone in tones] == [(1000.0, 60.0), (10_000.0, 60.0), (100.0, 60.0)]
    for one, other in zip(content.passages[:-1], content.passages[1:], strict=True):
        assert other.start_s == pytest.approx(one.end_s)
    assert content.length_s == pytest.approx(2.0 + 3 * (0.1 + 1.5 + 60.0) + 1.5)
    assert content.tone(10_000.0).start_s == pytest.approx(content.before(content.tone(10_000.0)) + 1.6)
    with pytest.raises(LookupError, match="no tone of 440 Hz"):
        content.tone(440.0)


def test_the_next_tone_of_a_frequency_is_the_one_ahead() -> None:
    content = TapeContent([Passage("tone", 10.0, 1000.0), Passage("tone", 10.0, 100.0), Passage("tone", 10.0, 1000.0)])
    assert content.tone(1000.0, 5.0).start_s == 0.0
    assert content.tone(1000.0, 11.0).start_s == 20.0
    assert content.tone(1000.0, 31.0).start_s == 0.0
    assert [passage.start_s for passage in content.between(9.0, 12.0)] == [0.0, 10.0]


def test_a_sound_runs_straight_between_its_samples() -> None:
    rng = np.random.default_rng(2)
    sound = Sound(rng.standard_normal(500).astype(np.float32), 1000)
    moments_s = np.sort(rng.uniform(-0.1, 0.6, 2000))
    wanted = np.interp(moments_s * 1000.0, np.arange(500.0), sound.samples, left=0.0, right=0.0)
    assert sound.at(moments_s) == pytest.approx(wanted, abs=1e-6)
    assert sound.at(np.array([0.0, 0.499])) == pytest.approx(sound.samples[[0, -1]])


def test_an_empty_tape_or_sound_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one passage"):
        TapeContent([])
    with pytest.raises(ValueError, match="longer than 0 s"):
        TapeContent([Passage("pause", 0.0)])
    with pytest.raises(ValueError, match="not all zero"):
        Sound(np.zeros(100, np.float32), 48_000)
