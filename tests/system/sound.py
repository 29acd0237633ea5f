"""Recordings of steady tones with known levels, made by sox, which shares no line with the program."""

import subprocess
from collections.abc import Sequence
from pathlib import Path


def tones(
    path: Path,
    levels_dbfs: Sequence[float],
    *,
    hz: float = 1000.0,
    seconds: float = 60.0,
    rate_hz: int = 48_000,
    bits: int = 24,
) -> Path:
    """One sine on all channels, each at its level; 0 dBFS is a sine of peak 1.0 (AES17-2015, 3.12.1).

    sox: `synth` makes a sine of peak 1.0, `remix 1p-18` a channel of it that is 18 dB lower. -R: the same dither each
    time.
    """
    channels = [f"1p{level_dbfs:.6f}" for level_dbfs in levels_dbfs]
    subprocess.run(
        [
            *("sox", "-R", "-n", "-r", str(rate_hz), "-b", str(bits), str(path)),
            *("synth", str(seconds), "sine", str(hz), "remix", *channels),
        ],
        check=True,
        capture_output=True,
        timeout=60,
    )
    return path


def peaks_dbfs(path: Path) -> list[float]:
    """The peak level of each channel as sox measures it, to 0.01 dB."""
    done = subprocess.run(["sox", str(path), "-n", "stats"], check=True, capture_output=True, text=True, timeout=60)
    line = next(line for line in done.stderr.splitlines() if line.startswith("Pk lev dB"))
    figures = [float(figure) for figure in line.split()[3:]]
    return figures[1:] if len(figures) > 1 else figures
