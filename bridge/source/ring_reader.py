"""The side of the shared ring that reads: from `bridge.source.ring`'s memory to one `Slot` for each audio callback."""

import mmap
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.source.channels import picked
from bridge.source.ring import HEADER_BYTES, Shape


@dataclass(frozen=True, slots=True, eq=False)
class Slot:
    """What one callback brought.

    ``samples`` is float32, shape (frames, inputs), a copy. ``missed_slots`` were overwritten before this one was
    read. ``overflowed``: the driver says that it lost samples just before these. The times are those of the callback.
    """

    samples: NDArray[np.float32]
    monotonic_ns: int
    wall_ns: int
    overflowed: bool
    missed_slots: int


class RingReader:
    """Takes the samples of ``inputs`` out of the ring, slot by slot."""

    def __init__(self, memory: mmap.mmap, shape: Shape, inputs: tuple[int, ...]) -> None:
        self._inputs = inputs
        self._count = np.frombuffer(memory, np.uint64, 1)
        slots = np.frombuffer(memory, np.uint8, offset=HEADER_BYTES, count=shape.slots * shape.slot_bytes)
        slots = slots.reshape(shape.slots, shape.slot_bytes)
        self._stamps = slots[:, :24].view(np.int64)
        self._samples = slots[:, HEADER_BYTES:].view(np.float32).reshape(shape.slots, shape.frames, shape.channels)
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
                samples = picked(self._samples[slot], self._inputs)
                monotonic_ns, wall_ns, overflowed = (int(value) for value in self._stamps[slot])
                if self.waiting_slots < self._slots:
                    self._next += 1
                    return Slot(samples, monotonic_ns, wall_ns, bool(overflowed), missed)
            # Keep the newer half: a reader that has just lost the race needs room to catch up.
            skipped = self.waiting_slots - self._slots // 2
            self._next += skipped
            missed += skipped
        return None
