"""A recording as a source: channel k of the sound file is input k, in real time or as fast as it can be read.

A thread reads ahead in large pieces, because decoding small ones costs several times as much and because decoding can
use a second core. What leaves are blocks whose time is the given start plus their position in the file.
"""

import contextlib
import queue
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
import soundfile
from numpy.typing import NDArray

from bridge.source.block import LARGEST, Block, Losses
from bridge.source.channels import channels_to_open, checked_inputs, picked, spoken
from bridge.source.faults import SourceLostError
from bridge.source.pieces import Pieces

LOWEST_RATE_HZ: Final = 44_100
HIGHEST_RATE_HZ: Final = 192_000

_FORMATS: Final = ("WAV", "WAVEX", "RF64", "FLAC", "W64", "AIFF", "CAF")
"""What libsndfile reads and what keeps levels: formats with lossy compression are refused."""

_PIECE_FRAMES: Final = 16_384
"""Least length of a piece. 24 channels of 24 bits at 96 kHz decode at 128 × real time by 512 frames, here at 155 ×."""

_PIECES_AHEAD: Final = 4

_JOIN_LIMIT_S: Final = 0.8
"""A thread that hangs in a dead network drive is left to itself after this."""


class Recording:
    """A sound file, opened by its header at once and read from ``start`` on.

    Parameters
    ----------
    path : Path
        WAV, RF64, FLAC, W64, AIFF or CAF, 44.1 to 192 kHz.
    inputs : sequence of int
        1 to 64 input numbers (1…), in any order, with gaps: channels of the file.
    block_frames : int
        Frames of each block; the last may be shorter.
    realtime : bool
        Deliver each block when it would have been captured, instead of as soon as it is read.
    epoch_ns : int, optional
        Unix time in ns of the first sample; by default the file's own time, which recorders write when the recording
        ends, less its length.

    Raises
    ------
    ValueError
        For inputs that cannot be.
    SourceLostError
        When the file cannot be used. The message is one line.
    """

    def __init__(
        self, path: Path, inputs: Sequence[int], block_frames: int, realtime: bool, epoch_ns: int | None = None
    ) -> None:
        self._path = path
        self.inputs: Final = checked_inputs(inputs)
        self._block_frames = block_frames
        self._realtime = realtime
        self.losses: Final = Losses()  # nothing is lost when reading a file
        with _opened(path) as sound:
            self.sample_rate_hz: Final = int(sound.samplerate)
            self._frames = int(sound.frames)
            self._format = f"{sound.format} {sound.subtype}"
            _check(path, sound, channels_to_open(self.inputs))
        self._epoch_ns = epoch_ns if epoch_ns is not None else self._from_the_file(path)
        self._pieces: queue.Queue[NDArray[np.float32] | Exception] = queue.Queue(_PIECES_AHEAD)
        self._stopping = threading.Event()
        self._reader = threading.Thread(target=self._read_ahead, name=f"read {path.name}", daemon=True)
        self._state: Exception | None = SourceLostError(f"{path}: it was not started")
        self._piece = np.empty((0, len(self.inputs)), np.float32)
        self._taken_frames = 0
        self._end_frame = 0
        self._started_s = 0.0

    def _from_the_file(self, path: Path) -> int:
        try:
            ended_ns = path.stat().st_mtime_ns
        except OSError as error:
            raise SourceLostError(f"{path}: the file cannot be opened: {error.strerror}") from None
        return ended_ns - self._frames * 1_000_000_000 // self.sample_rate_hz

    @property
    def description(self) -> str:
        """File, format, length, inputs and rate in one line."""
        length_s = self._frames / self.sample_rate_hz
        return f"{self._path} ({self._format}, {length_s:.1f} s), {spoken(self.inputs)}, {self.sample_rate_hz} Hz"

    def start(self) -> None:
        """Begin to read ahead."""
        self._state = None
        self._started_s = time.monotonic()
        self._reader.start()

    def read(self, timeout_s: float) -> Block | None:
        """Return the next block, or None when none was due or read within ``timeout_s``.

        Raises
        ------
        EOFError
            After the last sample.
        SourceLostError
            When the file cannot be read on. The message is one line.
        """
        deadline_s = time.monotonic() + timeout_s
        if not self._fetch(timeout_s):
            return None
        frames = min(self._block_frames, len(self._piece) - self._taken_frames)
        if self._realtime and not self._due(self._end_frame + frames, deadline_s):
            return None
        samples = self._piece[self._taken_frames : self._taken_frames + frames]
        first_frame = self._end_frame
        self._taken_frames += frames
        self._end_frame += frames
        return Block(samples, first_frame, self._epoch_ns + self._end_frame * 1_000_000_000 // self.sample_rate_hz)

    def stop(self) -> None:
        """Stop reading and close the file."""
        self._stopping.set()
        self._state = self._state or SourceLostError(f"{self._path}: it was stopped")
        if self._reader.is_alive():
            self._reader.join(_JOIN_LIMIT_S)
        # A `read` that waits in another thread is woken; the pieces that were read for nothing are dropped.
        with contextlib.suppress(queue.Empty):
            while True:
                self._pieces.get_nowait()
        with contextlib.suppress(queue.Full):
            self._pieces.put_nowait(self._state)

    def _fetch(self, timeout_s: float) -> bool:
        """Have samples at hand; False when none came in time."""
        if self._state is not None:
            raise self._state
        if self._taken_frames < len(self._piece):
            return True
        try:
            piece = self._pieces.get(timeout=max(timeout_s, 0.0))
        except queue.Empty:
            return False
        if isinstance(piece, Exception):
            self._state = piece
            raise piece
        self._piece = piece
        self._taken_frames = 0
        return True

    def _due(self, end_frame: int, deadline_s: float) -> bool:
        due_s = self._started_s + end_frame / self.sample_rate_hz
        if due_s > deadline_s:
            self._stopping.wait(max(0.0, deadline_s - time.monotonic()))
            return False
        self._stopping.wait(max(0.0, due_s - time.monotonic()))
        return not self._stopping.is_set()

    def _read_ahead(self) -> None:
        """Fill the queue with pieces that hold whole blocks, and at last with the reason why no more will come."""
        piece_frames = -(-_PIECE_FRAMES // self._block_frames) * self._block_frames
        try:
            with _opened(self._path) as sound:
                pieces = Pieces(sound, piece_frames)
                every_channel = self.inputs == tuple(range(1, sound.channels + 1))
                frames = 0
                while not self._stopping.is_set() and len(piece := pieces.read()) > 0:
                    self._check_sound(piece, frames)
                    self._put(piece if every_channel else picked(piece, self.inputs))
                    frames += len(piece)
            self._put(EOFError(f"{self._path}: the recording has ended"))
        except SourceLostError as error:
            self._put(error)
        except Exception as error:
            self._put(SourceLostError(f"{self._path}: it cannot be read on: {_reason(error)}"))

    def _check_sound(self, piece: NDArray[np.float32], first_frame: int) -> None:
        """Refuse what a file of floats can hold: one NaN would stay in the recursion of a meter for ever."""
        # A comparison with NaN is false, so this one holds for sound only.
        if not (piece.min() > -LARGEST and piece.max() < LARGEST):
            sound = (np.abs(piece) < LARGEST).all(axis=1)
            at_s = (first_frame + int(np.argmin(sound))) / self.sample_rate_hz
            raise SourceLostError(f"{self._path}: the sample at {at_s:.3f} s is no number, or far too large")

    def _put(self, piece: NDArray[np.float32] | Exception) -> None:
        while not self._stopping.is_set():
            try:
                return self._pieces.put(piece, timeout=0.1)
            except queue.Full:
                continue
        return None


def _opened(path: Path) -> soundfile.SoundFile:
    try:
        if path.is_dir():
            raise SourceLostError(f"{path}: this is a folder, not a recording")
        with path.open("rb"):
            pass
        return soundfile.SoundFile(path)
    except FileNotFoundError:
        raise SourceLostError(f"{path}: there is no such file") from None
    except OSError as error:
        raise SourceLostError(f"{path}: the file cannot be opened: {error.strerror}") from None
    except (soundfile.SoundFileError, TypeError) as error:
        raise SourceLostError(f"{path}: this is no recording that can be read: {_reason(error)}") from None


def _check(path: Path, sound: soundfile.SoundFile, channels: int) -> None:
    if sound.format not in _FORMATS:
        raise SourceLostError(f"{path}: {sound.format} does not keep levels; use WAV, RF64 or FLAC")
    if not LOWEST_RATE_HZ <= sound.samplerate <= HIGHEST_RATE_HZ:
        raise SourceLostError(f"{path}: {sound.samplerate} Hz is outside {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz")
    if sound.channels < channels:
        has = f"{sound.channels} channel" + "s" * (sound.channels != 1)
        raise SourceLostError(f"{path}: input {channels} is asked for, but the recording has {has}")


def _reason(error: Exception) -> str:
    """Return libsndfile's own words, without the file name that it puts before them."""
    return " ".join(str(getattr(error, "error_string", error)).split())
