"""What may come from a machine besides the tones of the calibration tape: the name of it in, what a head meets out.

It is for practice: whoever plays it finds out what is made of the end of a tape, of a voice, of another tape.
"""

from typing import Final

import numpy as np

from bridge.simulation.tape import Passage, Sound
from bridge.source.voices import voices

LEADER_S: Final = 1.0
"""Without anything on it, before it begins."""

TONE_S: Final = 60.0
SWEEP_S: Final = 30.0
SWEEP_HZ: Final = (20.0, 20_000.0)
NOISE_S: Final = 20.0
"""Lengths and band as on common test tapes: common practice, no source. At the end it begins anew."""

BELOW_DB: Final = -10.0
"""Level of voice, sweep and noise against the reference fluxivity: common practice, no source."""

NOISE_RATE_HZ: Final = 48_000


def foreign_tone(hz: float) -> tuple[Passage, ...]:
    """Return a tape with one tone at the reference fluxivity."""
    return _begun(Passage("tone", TONE_S, hz))


def foreign(what: str) -> tuple[Passage, ...]:
    """Return a tape with one thing on it that is no tone.

    Raises
    ------
    LookupError
        For something else, or where this computer has no voice to announce with.
    """
    if what == "sweep":
        return _begun(Passage("sweep", SWEEP_S, SWEEP_HZ[0], BELOW_DB, SWEEP_HZ[1]))
    if what == "noise":
        noise = np.random.default_rng(7).standard_normal(round(NOISE_S * NOISE_RATE_HZ)).astype(np.float32)
        return _begun(_passage(Sound(noise, NOISE_RATE_HZ)))
    if what != "announcement":
        raise LookupError(f"there is no {what} to play")
    spoken = voices()
    if not spoken:
        raise LookupError("this computer has no voice to announce with: alsa-utils brings some")
    return _begun(*(part for sound in spoken for part in (_passage(sound), Passage("pause", 0.3))))


def _passage(sound: Sound) -> Passage:
    return Passage("sound", sound.seconds, level_db=BELOW_DB, sound=sound)


def _begun(*passages: Passage) -> tuple[Passage, ...]:
    return Passage("pause", LEADER_S), *passages
