"""Samples of the simulated recorder, measured with sox and scipy."""

import re
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.simulation.condition import Condition
from bridge.simulation.noise import HARMONICS
from bridge.simulation.recorder import Recorder
from bridge.simulation.rendering import Renderer
from bridge.simulation.tape import Passage, Sound, TapeContent
from bridge.tape.calibration_tape import CalibrationTape, Tone
from tests.simulation.machines import IEC1_15, NAB_15, PERFECT, TAPE, heard, machine, rms_dbfs, with_tone

RATES_HZ = [44_100, 48_000, 88_200, 96_000, 192_000]
BUSY = Recorder(machine(3), replace(TAPE, tones=(Tone(1000.0, 0.0, 3.0), Tone(8000.0, -10.0, 3.0))), seed=4)
BUSY.transport.play(20)
BUSY.turn(2, "repro level", 0.1, 410)
BUSY.transport.jump(8.0, 500)
WHOLE = Renderer(BUSY).render(0, 8 * 48_000)


def test_a_perfect_recorder_reads_the_reference_by_sox(tmp_path: Path) -> None:
    samples = heard(with_tone(1000.0, tracks=1, sample_rate_hz=96_000), 1.0, 3.0)
    soundfile.write(tmp_path / "tone.wav", samples, 96_000, subtype="FLOAT")
    said = subprocess.run(["sox", tmp_path / "tone.wav", "-n", "stats"], capture_output=True, text=True, check=True)
    found = re.search(r"RMS lev dB\s+(\S+)", said.stderr)
    assert found is not None
    # sox is relative to a full-scale square: a sine of -18 dBFS (AES17-2015, 3.12.1) is 3.01 dB lower there.
    assert float(found[1]) == pytest.approx(-18.0 - 3.01, abs=0.01)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("hz", [63.0, 1000.0, 3150.0, 12_500.0, 20_000.0])
def test_a_perfect_recorder_reads_the_reference_at_every_rate_and_tone(rate_hz: int, hz: float) -> None:
    samples = heard(with_tone(hz, tracks=2, sample_rate_hz=rate_hz), 0.5, 2.5)
    assert rms_dbfs(samples) == pytest.approx([-18.0, -18.0], abs=0.01)


@pytest.mark.parametrize(
    ("hz", "level_vu"),
    [
        # 20 lg(185/320) from the matrix of fluxivities, and what a perfect reproducer of 35 us shows of a tape of
        # 50 + 3180 us relative to 1 kHz: both computed from the formulas of IEC 60094-1:1981, clause 15.
        (1000.0, -4.76),
        (100.0, -4.76 + 1.16),
        (5000.0, -4.76 - 1.76),
        (10_000.0, -4.76 - 2.51),
    ],
)
def test_another_tape_reads_what_its_fluxivity_and_curve_say(hz: float, level_vu: float) -> None:
    tape = CalibrationTape(185.0, 15.0, NAB_15, (Tone(hz, 0.0, 60.0),), fringing_compensated=True)
    recorder = Recorder(machine(2, IEC1_15), tape, PERFECT, content=TapeContent([Passage("tone", 60.0, hz)]))
    recorder.transport.jump(0.0, 0)
    assert rms_dbfs(heard(recorder, 0.5, 2.5)) == pytest.approx(np.full(2, -18.0 + level_vu), abs=0.02)


@settings(max_examples=25, deadline=None)
@given(start=st.integers(0, 7 * 48_000), cuts=st.lists(st.integers(0, 3000), min_size=1, max_size=12))
def test_samples_are_the_same_however_they_are_cut(start: int, cuts: list[int]) -> None:
    renderer = Renderer(BUSY)
    first = start
    for frames in cuts:
        assert np.array_equal(renderer.render(first, frames), WHOLE[first : first + frames])
        first += frames


def test_the_seed_decides() -> None:
    def samples(seed: int) -> np.ndarray:
        return heard(with_tone(1000.0, Condition(), seed=seed, tracks=2), 1.0, 1.2)

    assert np.array_equal(samples(7), samples(7))
    assert not np.array_equal(samples(7), samples(8))


def test_the_speed_error_shifts_the_frequency() -> None:
    samples = heard(with_tone(1000.0, replace(PERFECT, speed_error=0.005), tracks=1), 0.0, 20.0)[:, 0]
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.size)))
    assert np.argmax(spectrum) / 20.0 == pytest.approx(1005.0, abs=0.05)


# AES6-2008 (IEC 60386): the weighting's shape is published, its values here are from memory.
FLUTTER_WEIGHTING = (
    (0.1, -48.0), (0.2, -30.6), (0.315, -19.7), (0.4, -15.0), (0.63, -8.4), (0.8, -6.0), (1.0, -4.2), (1.6, -1.8),
    (2.0, -0.9), (4.0, 0.0), (6.3, -0.9), (10.0, -2.1), (20.0, -5.9), (40.0, -10.4), (63.0, -14.2), (100.0, -17.3),
    (200.0, -23.0),
)  # fmt: skip


@pytest.mark.parametrize("size", [0.0003, 0.002])
def test_the_weighted_flutter_of_3150_hz_is_the_parameter(size: float) -> None:
    recorder = with_tone(3150.0, replace(PERFECT, flutter_weighted_peak=size), tracks=1, seed=11)
    analytic = scipy.signal.hilbert(heard(recorder, 1.0, 51.0)[:, 0])
    deviation = np.diff(np.unwrap(np.angle(analytic))) * 48_000 / (2.0 * np.pi) / 3150.0 - 1.0
    deviation = scipy.signal.resample_poly(deviation, 1, 48)[1000:-1000]
    hz = np.fft.rfftfreq(deviation.size, 1e-3)
    table = np.array(FLUTTER_WEIGHTING)
    gain_db = np.interp(np.log(np.maximum(hz, 1e-3)), np.log(table[:, 0]), table[:, 1], left=-200.0, right=-200.0)
    weighted = np.fft.irfft(np.fft.rfft(deviation) * 10.0 ** (gain_db / 20.0))
    # AES6-2008: the peak that is exceeded 4.55 % of the time (two sigma).
    assert np.quantile(np.abs(weighted), 1.0 - 0.0455) == pytest.approx(size, rel=0.03)


def test_azimuth_delays_the_outer_tracks() -> None:
    # One minute of arc over 23 x 2.11 mm at 15 in/s is 37.03 us, 13.33 degrees at 1 kHz (plain geometry).
    recorder = with_tone(1000.0, replace(PERFECT, azimuth_urad=290.888), tracks=24)
    spectrum = np.fft.rfft(heard(recorder, 1.0, 2.0), axis=0)[1000]
    assert abs(np.degrees(np.angle(spectrum[23] / spectrum[0]))) == pytest.approx(13.33, abs=0.05)


def test_azimuth_costs_level_on_one_track() -> None:
    # 0.94 mm, 30 minutes of arc, 38.1 um: 0.673 dB (20 lg |sin x / x|, x = pi w tan(angle) / wavelength). The angle is
    # beyond what a condition may have, so a sixth of it is taken, where the loss in dB goes with the square.
    recorder = with_tone(10_000.0, replace(PERFECT, azimuth_urad=30.0 * 290.888 / 6.0), tracks=1)
    assert rms_dbfs(heard(recorder, 1.0, 2.0)) == pytest.approx([-18.0 - 0.673 / 36.0], abs=0.001)


def quiet(condition: Condition, **more: object) -> Recorder:
    content = TapeContent([Passage("pause", 600.0)])
    recorder = Recorder(machine(4), TAPE, condition, content=content, **more)  # type: ignore[arg-type]
    recorder.transport.jump(0.1, 0)
    return recorder


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_hiss_has_the_level_and_the_spectrum_that_it_should(rate_hz: int) -> None:
    samples = heard(quiet(replace(PERFECT, hiss_db=-50.0), sample_rate_hz=rate_hz), 0.0, 20.0)
    hz, density = scipy.signal.welch(samples, rate_hz, nperseg=4096, axis=0)
    band = (hz >= 20.0) & (hz <= 20_000.0)
    power = density[band].sum(axis=0) * hz[1]
    assert 10.0 * np.log10(2.0 * power) == pytest.approx(np.full(4, -68.0), abs=0.1)

    def around(centre_hz: float) -> np.ndarray:
        return np.asarray(density[(hz > 0.9 * centre_hz) & (hz < 1.1 * centre_hz)].mean(axis=0))

    # Power 1 + (f / 5 kHz)^2: 5 at 10 kHz, 1.04 at 1 kHz.
    assert 10.0 * np.log10(around(10_000.0) / around(1000.0)) == pytest.approx(np.full(4, 6.82), abs=0.4)
    assert np.abs(np.corrcoef(samples.T) - np.eye(4)).max() < 0.02


def test_hiss_is_not_heard_while_the_tape_stands_and_converter_noise_always_is() -> None:
    recorder = quiet(replace(PERFECT, hiss_db=-40.0, converter_noise_dbfs=-90.0), sample_rate_hz=96_000)
    recorder.transport.stop(200)
    samples = heard(recorder, 0.0, 8.0)

    def in_band_dbfs(part: np.ndarray) -> np.ndarray:
        hz, density = scipy.signal.welch(part, 96_000, nperseg=4096, axis=0)
        return np.asarray(10.0 * np.log10(2.0 * density[(hz >= 20.0) & (hz <= 20_000.0)].sum(axis=0) * hz[1]))

    assert in_band_dbfs(samples[: 2 * 96_000]) == pytest.approx(np.full(4, -58.0), abs=0.3)
    assert in_band_dbfs(samples[2 * 96_000 :]) == pytest.approx(np.full(4, -90.0), abs=0.3)


def test_hum_stands_at_the_harmonics_of_the_mains() -> None:
    samples = heard(quiet(replace(PERFECT, hum_db=-40.0, mains_hz=60.0)), 0.0, 10.0)
    amplitude = np.abs(np.fft.rfft(samples, axis=0)) / (samples.shape[0] / 2.0)
    first_db = 20.0 * np.log10(amplitude[600])
    # The tracks differ by a standard deviation of 3 dB around -18 - 40 dBFS.
    assert np.abs(first_db + 58.0).max() < 12.0
    assert np.ptp(first_db) > 0.1
    for number, relative in enumerate(HARMONICS, 1):
        assert amplitude[600 * number] / amplitude[600] == pytest.approx(np.full(4, relative), rel=1e-3)
    assert np.delete(amplitude, [0, *(600 * number for number in range(1, 5))], axis=0).max() < 1e-6


def test_crosstalk_fills_a_dropout_and_leaves_the_line_up() -> None:
    condition = replace(PERFECT, crosstalk_db=-30.0, dropouts_per_minute=60.0)
    recorder = with_tone(10_000.0, condition, tracks=8, seed=2)
    single = next(
        dropout
        for dropout in recorder.dropouts.between(1.0, 600.0)
        if dropout.first_track == dropout.last_track
        and 1 < dropout.first_track < 8
        and dropout.depth_db(38.1) == 40.0
        # Long enough to look at, and alone.
        and dropout.seconds > 0.06
        and len(recorder.dropouts.between(dropout.position_s - 0.3, dropout.position_s + 0.3)) == 1
    )
    middle_s, track = single.position_s, single.first_track - 1
    bottom = rms_dbfs(heard(recorder, middle_s - 0.005, middle_s + 0.005))
    # Two neighbours at -30 dB and 0.01 of its own, where 1 + 2 x 0.0316 was lined up to 0 dB.
    expected_db = 20.0 * np.log10((0.01 + 2.0 * 0.031623) / (1.0 + 2.0 * 0.031623))
    assert bottom[track] == pytest.approx(-18.0 + expected_db, abs=0.05)
    assert rms_dbfs(heard(recorder, middle_s - 0.3, middle_s - 0.25)) == pytest.approx(np.full(8, -18.0), abs=0.01)


def test_a_sweep_is_the_logarithmic_chirp_of_scipy() -> None:
    content = TapeContent([Passage("sweep", 10.0, 100.0, 0.0, 10_000.0)])
    recorder = Recorder(machine(1), TAPE, PERFECT, content=content)
    recorder.transport.jump(0.0, 0)
    times_s = np.arange(48_000 * 5) / 48_000
    wanted = scipy.signal.chirp(times_s, 100.0, 10.0, 10_000.0, method="logarithmic", phi=-90.0) * 0.125893
    samples = heard(recorder, 0.0, 5.0)[:, 0]
    assert samples[480:] == pytest.approx(wanted[480:], abs=2e-4)


def test_a_voice_has_its_level_and_is_on_every_track() -> None:
    rng = np.random.default_rng(3)
    sound = Sound(rng.standard_normal(48_000 * 5).astype(np.float32), 48_000)
    content = TapeContent([Passage("sound", 5.0, level_db=-10.0, sound=sound)])
    recorder = Recorder(machine(3), TAPE, PERFECT, content=content)
    recorder.transport.jump(0.0, 0)
    assert rms_dbfs(heard(recorder, 0.1, 4.9)) == pytest.approx(np.full(3, -28.0), abs=0.1)


def test_what_is_too_loud_is_cut_off_at_full_scale() -> None:
    recorder = with_tone(1000.0, tracks=1, reference_dbfs=-3.0)
    recorder.set_playback(9.0, 10)
    samples = heard(recorder, 1.0, 1.1)
    assert np.abs(samples).max() == 1.0


def test_nothing_is_on_the_inputs() -> None:
    recorder = with_tone(1000.0, tracks=2)
    recorder.select_path("input", 100)
    samples = heard(recorder, 0.5, 1.5)
    assert rms_dbfs(samples[:24_000])[0] == pytest.approx(-18.0, abs=0.01)
    assert np.abs(samples[24_000:]).max() < 1e-8


@pytest.mark.parametrize("rate_hz", [0, -48_000, 44_150])
def test_a_sample_rate_that_does_not_fit_is_refused(rate_hz: int) -> None:
    with pytest.raises(ValueError, match="must be a multiple of 100 Hz"):
        Recorder(machine(), TAPE, sample_rate_hz=rate_hz)


@pytest.mark.parametrize(
    ("name", "value"), [("speed_error", 0.03), ("hiss_db", 1.0), ("backlash", -0.1), ("level_wander_db", float("nan"))]
)
def test_a_condition_out_of_range_is_refused(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=f"{name} must be from"):
        replace(Condition(), **{name: value})
