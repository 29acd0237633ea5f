"""Spoken words of this computer: a folder of WAV files in; sounds for the announcements of a simulated tape out."""

from pathlib import Path
from typing import Final

import soundfile

from bridge.simulation.tape import Sound

VOICES: Final = Path("/usr/share/sounds/alsa")
"""Where Debian's alsa-utils keeps spoken words; without them the announcements are pauses."""


def voices(folder: Path = VOICES) -> tuple[Sound, ...]:
    """Return the spoken words in a folder of mono WAV files; none when the folder is not there."""
    sounds = []
    for file in sorted(folder.glob("*_*.wav")):
        samples, sample_rate_hz = soundfile.read(file, dtype="float32", always_2d=True)
        sounds.append(Sound(samples[:, 0].copy(), sample_rate_hz))
    return tuple(sounds)
