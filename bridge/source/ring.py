"""A ring of slots in memory that two processes share; here its shape, and the side that writes.

The writer never waits for the reader. A reader that falls a whole ring behind is told how many slots it has missed.
This module leaves numpy out: the process that captures starts quicker and stays smaller without it.

Layout, all integers of 64 bits in the machine's own byte order: a header of 64 bytes whose first integer counts the
slots written so far; then the slots, each with a header of 64 bytes (monotonic time, Unix time, overflow) and the
samples. The count is stored after the slot is complete. Both sides run hundreds of machine instructions between the
samples and the count, and the reader checks after its copy that the writer has not come round meanwhile.
"""

import mmap
from dataclasses import dataclass
from typing import Final

HEADER_BYTES: Final = 64
"""Of the ring and of each slot: a cache line, so that the samples are aligned."""

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
        return HEADER_BYTES + self.sample_bytes

    @property
    def total_bytes(self) -> int:
        """Bytes of the whole ring."""
        return HEADER_BYTES + self.slots * self.slot_bytes


class RingWriter:
    """The side of the audio callback: `write` allocates no buffer, takes no lock, calls nothing of the system."""

    def __init__(self, memory: mmap.mmap, shape: Shape) -> None:
        view = memoryview(memory)
        self._count = view[:8].cast("Q")
        self._stamps = []
        self._samples = []
        for slot in range(shape.slots):
            start = HEADER_BYTES + slot * shape.slot_bytes
            self._stamps.append(view[start : start + 24].cast("q"))
            self._samples.append(view[start + HEADER_BYTES : start + shape.slot_bytes])
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
