"""The fine level, frequency, peak and noise, against closed forms, sox and scipy."""

import math
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from scipy.io import wavfile

from bridge.metering.meter import Meter
from bridge.source.block import Block
from bridge.units import SILENCE_DB
from tests.metering.signals import blocks, measure, tone

RATES_HZ = (44_100, 48_000, 96_000, 192_000)
TONES_HZ = (20, 31.5, 40, 63, 100, 125, 250, 400, 700, 1000, 3150, 4000, 8000, 10_000, 12_500, 16_000, 20_000)


@pytest.mark.parametrize("sample_rate_hz", RATES_HZ)
@pytest.mark.parametrize("hz", TONES_HZ)
def test_steady_tone_at_40_db_signal_to_noise(sample_rate_hz: int, hz: float) -> None:
    said = measure(tone(sample_rate_hz, hz, 2.6, signal_to_noise_db=40), sample_rate_hz)[-80:]
    assert np.abs(np.array([levels.fine_dbfs for levels in said]) + 18.0).max() < 0.01
    assert np.abs(np.array([levels.vu_dbfs for levels in said]) + 18.0).max() < 0.05
    assert max(abs(levels.tone_hz / hz - 1) for levels in said) < 0.0002
    assert np.array([levels.spread_db for levels in said]).max() < 0.01


@pytest.mark.parametrize("sample_rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("hz", [63, 315, 1000, 3150, 10_000, 16_000])
@pytest.mark.parametrize(
    ("speed_error", "flutter", "flutter_hz"),
    # 0.1 % at 4 Hz is what a worn machine does; 0.05 % at 60 Hz is a capstan motor.
    [(0.005, 0, 4), (-0.005, 0, 4), (0, 0.001, 4), (0, 0.001, 0.5), (0, 0.001, 10), (0, 0.0005, 60)],
)
def test_speed_error_wow_and_flutter_do_not_move_the_level(
    sample_rate_hz: int, hz: float, speed_error: float, flutter: float, flutter_hz: float
) -> None:
    played_hz = hz * (1 + speed_error)
    samples = tone(sample_rate_hz, played_hz, 2.4, flutter=flutter, flutter_hz=flutter_hz, signal_to_noise_db=40)
    said = measure(samples, sample_rate_hz)[-60:]
    assert np.abs(np.array([levels.fine_dbfs for levels in said]) + 18.0).max() < 0.01
    if flutter == 0:
        assert said[-1].tone_hz == pytest.approx(played_hz, rel=0.0002)


def test_each_input_has_its_own_level() -> None:
    rate = 48_000
    levels_dbfs = -6.0 - 1.25 * np.arange(24)
    samples = tone(rate, 1000, 2.0, level_dbfs=0.0, inputs=24) * 10 ** (levels_dbfs / 20)
    said = measure(samples.astype(np.float32), rate)[-1]
    assert said.fine_dbfs == pytest.approx(levels_dbfs, abs=0.002)
    assert said.vu_dbfs == pytest.approx(levels_dbfs, abs=0.02)
    assert said.peak_dbfs == pytest.approx(levels_dbfs, abs=0.02)
    assert said.rms_dbfs == pytest.approx(levels_dbfs, abs=0.01)


def test_sox_generates_and_measures_the_same_level(tmp_path: Path) -> None:
    # sox is independent on both sides: it makes the tone, and its `stats` measures the rms level in 32-bit arithmetic.
    wav = tmp_path / "tone.wav"
    subprocess.run(
        ["sox", "-n", "-r", "48000", "-b", "24", "-c", "1", str(wav), "synth", "3", "sine", "1234.5", "vol", "-13.7dB"],
        check=True,
    )
    printed = subprocess.run(["sox", str(wav), "-n", "stats"], check=True, capture_output=True, text=True).stderr
    rms_db = next(float(line.split()[-1]) for line in printed.splitlines() if line.startswith("RMS lev dB"))
    rate, samples = wavfile.read(wav)
    column = (samples / 2.0**31).astype(np.float32)[:, None]
    said = measure(column, rate)[-1]
    # sox counts a full-scale sine as −3.01 dB; AES17 counts it as 0 dBFS. sox prints two decimals.
    assert said.fine_dbfs[0] == pytest.approx(rms_db + 10 * math.log10(2), abs=0.006)
    assert said.fine_dbfs[0] == pytest.approx(-13.7, abs=0.002)
    assert said.tone_hz == pytest.approx(1234.5, rel=1e-5)


def test_fine_level_is_the_tone_alone() -> None:
    # Hum at −40 dB, third harmonic at 3 % and hiss: the needle sees them, the fine level does not.
    rate = 48_000
    t = np.arange(rate * 3) / rate
    samples = (
        0.1 * np.sin(2 * np.pi * 1000 * t) + 0.003 * np.sin(2 * np.pi * 3000 * t) + 0.001 * np.sin(2 * np.pi * 50 * t)
    )
    said = measure(samples[:, None].astype(np.float32), rate)[-1]
    assert said.fine_dbfs[0] == pytest.approx(-20.0, abs=0.003)


def test_hum_beside_a_low_tone_stays_apart() -> None:
    rate = 48_000
    t = np.arange(rate * 4) / rate
    samples = 0.1 * np.sin(2 * np.pi * 63 * t) + 0.001 * np.sin(2 * np.pi * 50 * t)
    said = measure(samples[:, None].astype(np.float32), rate)[-100:]
    assert np.abs(np.array([levels.fine_dbfs[0] for levels in said]) + 20.0).max() < 0.01


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 3000), min_size=1, max_size=40), st.sampled_from((44_100, 48_000)))
def test_the_same_samples_give_the_same_levels_however_they_are_cut(sizes: list[int], sample_rate_hz: int) -> None:
    parts = [tone(sample_rate_hz, 1000, 0.5, signal_to_noise_db=30), tone(sample_rate_hz, 10_000, 0.5)]
    samples = np.concatenate([*parts, np.zeros((2000, 3), dtype=np.float32)])
    whole = measure(samples, sample_rate_hz, [len(samples)])
    cut = measure(samples, sample_rate_hz, sizes)
    assert len(cut) == len(whole)
    for one, other in zip(cut, whole, strict=True):
        assert one.end_frame == other.end_frame
        assert one.tone_hz == other.tone_hz
        for name in ("vu_dbfs", "tone_dbfs", "fine_dbfs", "spread_db", "peak_dbfs", "rms_dbfs", "phase_rad"):
            assert np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True), name


def test_time_stamps_are_those_of_the_samples() -> None:
    rate = 48_000
    for levels in measure(tone(rate, 1000, 1.0), rate, [777]):
        assert levels.end_frame % 480 == 0
        assert levels.captured_ns == pytest.approx(levels.end_frame * 1e9 / rate, abs=2)


def test_follows_the_tape_from_tone_to_tone() -> None:
    rate = 48_000
    pause = np.zeros((rate // 2, 3), dtype=np.float32)
    samples = np.concatenate([tone(rate, 1000, 2), pause, tone(rate, 10_000, 2, level_dbfs=-28), tone(rate, 100, 2)])
    said = measure(samples, rate)
    heard = {round(at, 1): said[round(at * 100) - 1].tone_hz for at in (1.5, 2.4, 4.0, 6.4)}
    assert heard == {1.5: pytest.approx(1000), 2.4: 0.0, 4.0: pytest.approx(10_000), 6.4: pytest.approx(100)}
    assert said[399].fine_dbfs == pytest.approx([-28.0] * 3, abs=0.003)
    # The first tone ends at 2 s: shortly after, no level is said any more.
    assert np.isnan(said[219].tone_dbfs).all()


@pytest.mark.parametrize("kind", ["silence", "noise", "speech-like", "sweep"])
def test_what_is_no_tone_is_not_called_one(kind: str) -> None:
    rate = 48_000
    rng = np.random.default_rng(11)
    t = np.arange(rate * 4) / rate
    noise = rng.standard_normal(t.size)
    if kind == "silence":
        samples = 1e-5 * noise
    elif kind == "noise":
        samples = 0.1 * noise
    elif kind == "sweep":
        # Three octaves a second: faster than a tone wanders, and no step is set to it.
        samples = 0.1 * signal.chirp(t, 100, 4, 25_600, method="logarithmic")
    else:
        # A pulse train at the pitch of a voice through two formants, its pitch and loudness moving.
        pitch = 120 + 25 * np.sin(2 * np.pi * 1.7 * t)
        pulses = np.diff(np.floor(np.cumsum(pitch) / rate), prepend=0.0)
        samples = sum(
            signal.lfilter([1.0], [1, -2 * 0.985 * np.cos(2 * np.pi * f / rate), 0.985**2], pulses) for f in (700, 1700)
        )
        samples = 0.05 * samples * (0.6 + 0.4 * np.sin(2 * np.pi * 3.1 * t))
    said = measure(np.stack([samples, 0.5 * samples], axis=1).astype(np.float32), rate)
    share = sum(levels.tone_hz > 0 and not np.isnan(levels.fine_dbfs).all() for levels in said) / len(said)
    assert share == 0.0


def test_noise_floor_without_a_tone() -> None:
    rate = 48_000
    rms = 10 ** (-63.0 / 20)
    samples = (rms * np.random.default_rng(2).standard_normal((rate * 2, 2))).astype(np.float32)
    said = measure(samples, rate)[-1]
    # AES17: rms of a full-scale sine is 0 dBFS, so rms 1.0 is +3.01 dBFS.
    assert said.rms_dbfs == pytest.approx([-63.0 + 3.01] * 2, abs=0.1)


@pytest.mark.parametrize("hz", [1000, 16_000])
def test_an_offset_of_the_converter_is_no_level(hz: float) -> None:
    # DC at −40 dBFS beside a tone of −38 dBFS: a volume indicator is AC-coupled and does not see it.
    rate = 48_000
    samples = tone(rate, hz, 8.0, level_dbfs=-38.0) + np.float32(0.01)
    said = measure(samples, rate)[-50:]
    assert np.abs(np.array([levels.vu_dbfs for levels in said]) + 38.0).max() < 0.05
    assert np.abs(np.array([levels.fine_dbfs for levels in said]) + 38.0).max() < 0.01
    only_dc = measure(np.full((rate * 10, 1), 0.01, dtype=np.float32), rate)[-1]
    assert only_dc.rms_dbfs[0] < -100.0
    assert only_dc.peak_dbfs[0] == pytest.approx(-40.0, abs=0.01)


def test_clipping_is_told_once_for_each_measurement() -> None:
    rate = 48_000
    samples = tone(rate, 1000, 1.0, level_dbfs=-1.0)
    samples[rate // 2, 1] = 1.0
    said = measure(samples, rate)
    clipped = [levels for levels in said if levels.clipped.any()]
    assert len(clipped) == 1
    assert clipped[0].clipped.tolist() == [False, True, False]
    assert clipped[0].end_frame == rate // 2 + 480
    assert clipped[0].peak_dbfs[1] == 0.0


def test_digital_silence_reads_silence() -> None:
    said = measure(np.zeros((48_000, 2), dtype=np.float32), 48_000)[-1]
    assert said.vu_dbfs.tolist() == said.peak_dbfs.tolist() == said.rms_dbfs.tolist() == [SILENCE_DB] * 2
    assert said.tone_hz == 0.0
    assert np.isnan(said.fine_dbfs).all()


@pytest.mark.parametrize("lost", [1, 100, 512, 5000])
def test_a_short_gap_does_not_move_the_fine_level(lost: int) -> None:
    rate = 48_000
    meter = Meter(rate, 3)
    samples = tone(rate, 1000, 3.0)
    said = []
    for block in blocks(samples, rate, [512]):
        if not 60_000 <= block.first_frame < 60_000 + lost:
            said += meter.push(block)
    assert np.abs(np.array([levels.fine_dbfs for levels in said[-100:]]) + 18.0).max() < 0.002
    assert said[-1].end_frame <= len(samples)


def test_a_long_gap_begins_anew() -> None:
    rate = 48_000
    meter = Meter(rate, 3)
    samples = tone(rate, 1000, 2.0)
    said = [levels for block in blocks(samples, rate, [512]) for levels in meter.push(block)]
    later = meter.push(Block(samples[:4800], 10 * rate, 11 * 10**9))
    assert said[-1].tone_hz > 0
    assert later[-1].tone_hz == 0.0
    assert later[0].end_frame == 10 * rate + 480


def test_phase_between_inputs() -> None:
    # tone() puts one radian between neighbouring inputs.
    said = measure(tone(48_000, 10_000, 1.0), 48_000)[-1]
    assert said.phase_rad == pytest.approx([0.0, 1.0, 2.0], abs=0.001)


def test_an_input_without_the_tone_has_no_fine_level() -> None:
    rate = 48_000
    samples = tone(rate, 1000, 2.0)
    samples[:, 1] = 0.01 * np.random.default_rng(5).standard_normal(len(samples))
    samples[:, 2] = 0.0
    said = measure(samples, rate)[-1]
    assert said.fine_dbfs[0] == pytest.approx(-18.0, abs=0.002)
    assert np.isnan(said.fine_dbfs[1:]).all()
    assert np.isnan(said.spread_db[1:]).all()
