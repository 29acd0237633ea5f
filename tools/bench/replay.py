"""`trimbridge replay` of 24 tracks at 96 kHz, as a multiple of real time, with the log being written."""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from tools.bench.timing import report

TRACKS, RATE_HZ, SECONDS = 24, 96_000, 40


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rng = np.random.default_rng(0)
        with soundfile.SoundFile(
            folder / "tape.wav", "w", samplerate=RATE_HZ, channels=TRACKS, format="RF64", subtype="PCM_24"
        ) as sound:
            for second in range(SECONDS):
                turn = 2 * np.pi * 1000 * (second + np.arange(RATE_HZ) / RATE_HZ)
                sound.write(
                    (0.1 * np.sin(turn)[:, None] + 0.0003 * rng.standard_normal((RATE_HZ, TRACKS))).astype(np.float32)
                )
        config = folder / "bench.toml"
        config.write_text(
            f'[machine]\nname = "bench"\ntracks = {TRACKS}\n'
            '[[step]]\nadjustment = "repro level"\ntone_hz = 1000\ntarget_vu = 0\n'
        )
        for what, options in (("replay", []), ("replay --readings", ["--readings", str(folder / "readings.csv")])):
            files = [str(folder / "tape.wav"), str(config), "--log", str(folder / f"{len(options)}.db"), *options]
            done = subprocess.run(
                [sys.executable, "-m", "bridge", "replay", "--json", *files], check=True, capture_output=True, text=True
            )
            speed = json.loads(done.stdout)["times_real_time"]
            report(f"{what}, 24 tracks at 96 kHz, times real time", speed, "> 60", speed > 60)
