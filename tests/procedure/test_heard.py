"""What is a tone and what is not, from samples: recorded voices of Debian's alsa-utils, and sounds made by sox."""

import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from bridge.procedure.tones import ToneEnded, ToneStarted, ToneWatch
from tests.metering.signals import measure, tone

VOICES = sorted(Path("/usr/share/sounds/alsa").glob("*_*.wav"))
PLAN_HZ = (1000.0, 10_000.0, 100.0)
RATE_HZ = 48_000
TRACKS = 4

Samples = NDArray[np.float32]


def told(samples: Samples, rate_hz: int = RATE_HZ) -> list[ToneStarted | ToneEnded]:
    """What is said of tones in some samples."""
    watch = ToneWatch(PLAN_HZ, TRACKS)
    return [
        event
        for levels in measure(samples, rate_hz)
        for event in watch.push(
            levels.end_frame / rate_hz, levels.tone_hz, levels.tone_dbfs, levels.tone_share, levels.rms_dbfs
        )
    ]


def on_tape(sound: Samples, level_dbfs: float, seed: int = 1) -> Samples:
    """The same sound on all tracks, as loud as a sine of that level, above noise at −65 dB."""
    loud = sound * 10.0 ** (level_dbfs / 20.0) / np.sqrt(2.0 * np.mean(sound**2))
    noise = 10.0 ** (-65.0 / 20.0) * np.random.default_rng(seed).standard_normal((sound.size, TRACKS))
    return (loud[:, np.newaxis] + noise).astype(np.float32)


def spoken() -> Samples:
    """All recorded voices, one after the other, with pauses."""
    pause = np.zeros(RATE_HZ // 3, dtype=np.float32)
    parts = []
    for path in VOICES:
        samples, rate_hz = soundfile.read(path, dtype="float32")
        assert rate_hz == RATE_HZ
        parts += [samples, pause]
    return np.concatenate(parts)


def made(tmp_path: Path, effects: Sequence[str]) -> Samples:
    """What sox makes of its effects."""
    path = tmp_path / "made.wav"
    subprocess.run(["sox", "-R", "-n", "-r", str(RATE_HZ), "-c", "1", "-b", "24", str(path), *effects], check=True)
    return np.asarray(soundfile.read(path, dtype="float32")[0])


def test_there_are_voices_to_listen_to() -> None:
    assert len(VOICES) >= 8
    assert spoken().size > 10 * RATE_HZ


@pytest.mark.parametrize("level_dbfs", [-6.0, -18.0, -35.0])
def test_spoken_announcements_are_no_tones(level_dbfs: float) -> None:
    assert told(on_tape(spoken(), level_dbfs)) == []


def test_a_tone_between_announcements_is_a_tone() -> None:
    voice = on_tape(spoken(), -12.0)
    plays = tone(RATE_HZ, 1004.0, 5.0, inputs=TRACKS, flutter=0.001, signal_to_noise_db=50.0)
    started, ended = told(np.concatenate([voice, plays, voice]))
    assert isinstance(started, ToneStarted)
    assert isinstance(ended, ToneEnded)
    begins_s = voice.shape[0] / RATE_HZ
    assert started.tone.nominal_hz == 1000.0
    assert started.tone.speed_error_percent == pytest.approx(0.4, abs=0.05)
    assert started.tone.started_s == pytest.approx(begins_s, abs=0.3)
    assert ended.ended_s == pytest.approx(begins_s + 5.0, abs=0.1)


@pytest.mark.parametrize(
    "effects",
    [
        # Chords that are plucked, one every half second, and a tune.
        ["synth", "0.5", "pluck", "A3", "pluck", "E4", "pluck", "C#5", "remix", "-", "repeat", "30"],
        ["synth", "0.3", "pluck", "B5", ":", "synth", "0.3", "pluck", "G5", ":", "synth", "0.3", "pluck", "C6"],
        # A sweep over the tones of the plan, one that takes a second for 1 %, and noise.
        ["synth", "20", "sine", "50:15000"],
        ["synth", "12", "sine", "940:1060"],
        ["synth", "20", "whitenoise"],
        ["synth", "20", "pinknoise", "bandpass", "1000", "80h"],
    ],
    ids=["chords", "tune", "sweep", "slow sweep", "white noise", "a band of noise at 1 kHz"],
)
def test_music_sweeps_and_noise_are_no_tones(tmp_path: Path, effects: list[str]) -> None:
    if ":" in effects:
        joined = " ".join(effects).split(" : ")
        samples = np.concatenate([made(tmp_path, part.split()) for part in joined * 12])
    else:
        samples = made(tmp_path, effects)
    assert samples.size >= 10 * RATE_HZ
    assert told(on_tape(samples, -18.0)) == []
