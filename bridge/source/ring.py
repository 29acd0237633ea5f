"""A ring of slots in memory that two processes share: one writes what each audio callback brought, the other reads.

The writer never waits for the reader. A reader that falls a whole ring behind is told how many slots it has missed.

Layout, all integers of 64 bits in the machine's own byte order: a header of 64 bytes whose first integer counts the
slots written so far; then the slots, each with a header of 64 bytes (monotonic time, Unix time, overflow) and the
samples. The count is stored after the slot is complete. Both sides run hundreds of machine instructions between the
samples and the count, and the reader checks after its copy that the writer has not come round meanwhile.
"""

import mmap
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

_HEADER_BYTES: Final = 64
_SAMPLE_BYTES: Final = 4


@dataclass(frozen=True, slots=True)
class Shape:
    """How the ring is cut: ``slots`` of ``frames`` × ``channels`` samples of float32."""

    slots: int
    frames: int
    channels: int

    @property
    def sample_bytes(self) -> int:
        """Bytes of the samples of one slot."""
        return self.frames * self.channels * _SAMPLE_BYTES

    @property
    def slot_bytes(self) -> int:
        """Bytes of one slot with its header."""
        return _HEADER_BYTES + self.sample_bytes

    @property
    def total_bytes(self) -> int:
        """Bytes of the whole ring."""
        return _HEADER_BYTES + self.slots * self.slot_bytes


@dataclass(frozen=True, slots=True, eq=False)
class Slot:
    """What one callback brought.

    ``samples`` is float32, shape (frames, channels), a copy. ``missed_slots`` were overwritten before this one was
    read. ``overflowed``: the driver says that it lost samples just before these. The times are those of the callback.
    """

    samples: NDArray[np.float32]
    monotonic_ns: int
    wall_ns: int
    overflowed: bool
    missed_slots: int


class RingWriter:
    """The side of the audio callback: `write` allocates no buffer, takes no lock, calls nothing of the system."""

    def __init__(self, memory: mmap.mmap, shape: Shape) -> None:
        view = memoryview(memory)
        self._count = view[:8].cast("Q")
        self._stamps = []
        self._samples = []
        for slot in range(shape.slots):
            start = _HEADER_BYTES + slot * shape.slot_bytes
            self._stamps.append(view[start : start + 24].cast("q"))
            self._samples.append(view[start + _HEADER_BYTES : start + shape.slot_bytes])
        self._slots = shape.slots
        self._written = 0

    def write(self, samples: memoryview, monotonic_ns: int, wall_ns: int, overflowed: bool) -> None:
        """Store one callback's samples: bytes of float32, frame by frame, exactly one slot."""
        slot = self._written % self._slots
        self._samples[slot][:] = samples
        stamps = self._stamps[slot]
        stamps[0] = monotonic_ns
        stamps[1] = wall_ns
        stamps[2] = overflowed
        self._written += 1
        self._count[0] = self._written


class RingReader:
    """The side that wants the samples."""

    def __init__(self, memory: mmap.mmap, shape: Shape) -> None:
        self._count = np.frombuffer(memory, np.uint64, 1)
        slots = np.frombuffer(memory, np.uint8, offset=_HEADER_BYTES, count=shape.slots * shape.slot_bytes)
        slots = slots.reshape(shape.slots, shape.slot_bytes)
        self._stamps = slots[:, :24].view(np.int64)
        self._samples = slots[:, _HEADER_BYTES:].view(np.float32).reshape(shape.slots, shape.frames, shape.channels)
        self._slots = shape.slots
        self._next = 0

    @property
    def waiting_slots(self) -> int:
        """How many slots have been written and not yet taken; more than the ring holds when some are lost."""
        return int(self._count[0]) - self._next

    def take(self) -> Slot | None:
        """Return the oldest slot that is still whole, or None when nothing waits."""
        missed = 0
        while (waiting := self.waiting_slots) > 0:
            # The slot a full ring behind is the one being written now.
            if waiting < self._slots:
                slot = self._next % self._slots
                samples = self._samples[slot].copy()
                monotonic_ns, wall_ns, overflowed = (int(value) for value in self._stamps[slot])
                if self.waiting_slots < self._slots:
                    self._next += 1
                    return Slot(samples, monotonic_ns, wall_ns, bool(overflowed), missed)
            # Keep the newer half: a reader that has just lost the race needs room to catch up.
            skipped = self.waiting_slots - self._slots // 2
            self._next += skipped
            missed += skipped
        return None
