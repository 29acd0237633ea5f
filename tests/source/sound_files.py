"""Sound files for the tests, written by others than the code under test: the standard library's wave, scipy, sox.

In each of them sample n of channel k is (n % 1000) × 32 + k, of 32,768: any sample tells its frame and its column.
"""

import struct
import subprocess
import wave
from pathlib import Path

import numpy as np
import scipy.io.wavfile

FULL_SCALE = 32_768


def numbers(frames: int, channels: int, first_frame: int = 0) -> np.ndarray:
    """Return the samples as integers, shape (frames, channels); the first channel is 1."""
    n = np.arange(first_frame, first_frame + frames)
    return ((n % 1000) * 32)[:, None] + np.arange(1, channels + 1)


def wav(path: Path, frames: int, channels: int, rate_hz: int) -> Path:
    """16 bits, by the standard library."""
    with wave.open(str(path), "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(numbers(frames, channels).astype("<i2").tobytes())
    return path


def float_wav(path: Path, frames: int, channels: int, rate_hz: int) -> Path:
    """32 bits floating point, by scipy."""
    scipy.io.wavfile.write(path, rate_hz, (numbers(frames, channels) / FULL_SCALE).astype(np.float32))
    return path


def converted(source: Path, path: Path, *options: str) -> Path:
    """Another format or word length, by sox; -D: no dither, the samples shall be the same."""
    subprocess.run(["sox", "-D", str(source), *options, str(path)], check=True, capture_output=True, timeout=60)
    return path


def rf64(path: Path, frames: int, channels: int, rate_hz: int) -> Path:
    """16 bits, byte by byte after EBU Tech 3306 v2.0 (2018), 2 and annex A: sizes in the ds64 chunk, −1 elsewhere."""
    data = numbers(frames, channels).astype("<i2").tobytes()
    unknown = 0xFFFF_FFFF
    form = struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * channels * 2, channels * 2, 16)
    body = b"fmt " + struct.pack("<I", len(form)) + form + b"data" + struct.pack("<I", unknown) + data
    riff_bytes = 4 + 8 + 28 + len(body)
    ds64 = b"ds64" + struct.pack("<IQQQI", 28, riff_bytes, len(data), frames, 0)
    path.write_bytes(b"RF64" + struct.pack("<I", unknown) + b"WAVE" + ds64 + body)
    return path
