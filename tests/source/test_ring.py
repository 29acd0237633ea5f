import mmap

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.source.ring import RingWriter, Shape
from bridge.source.ring_reader import RingReader

SHAPE = Shape(slots=8, frames=4, channels=3)


def pair() -> tuple[RingWriter, RingReader]:
    memory = mmap.mmap(-1, SHAPE.total_bytes)
    return RingWriter(memory, SHAPE), RingReader(memory, SHAPE, (1, 2, 3))


def samples(number: int) -> np.ndarray:
    return np.full((SHAPE.frames, SHAPE.channels), number, np.float32) + np.arange(3, dtype=np.float32) / 4


def write(writer: RingWriter, number: int, overflowed: bool = False) -> None:
    writer.write(memoryview(samples(number).tobytes()), number * 1000, -number, overflowed)


def test_an_empty_ring_gives_nothing() -> None:
    _, reader = pair()
    assert reader.waiting_slots == 0
    assert reader.take() is None


def test_what_was_written_is_read_with_its_stamps() -> None:
    writer, reader = pair()
    write(writer, 1)
    write(writer, 2, overflowed=True)
    first, second = reader.take(), reader.take()
    assert first is not None and second is not None
    assert np.array_equal(first.samples, samples(1))
    assert (first.monotonic_ns, first.wall_ns, first.overflowed, first.missed_slots) == (1000, -1, False, 0)
    assert np.array_equal(second.samples, samples(2))
    assert second.overflowed


def test_only_whole_slots_are_written() -> None:
    writer, _ = pair()
    with pytest.raises(ValueError, match="different structures"):
        writer.write(memoryview(samples(1).tobytes()[:-4]), 0, 0, False)


@settings(max_examples=300)
@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 12)), max_size=30))
def test_each_slot_is_read_once_or_counted_as_missed(turns: list[tuple[int, int]]) -> None:
    """Any order of writing some and reading some: numbers taken plus numbers missed are the numbers written."""
    writer, reader = pair()
    written = accounted = 0
    for writes, reads in turns:
        for _ in range(writes):
            write(writer, written)
            written += 1
        for _ in range(reads):
            slot = reader.take()
            if slot is None:
                assert accounted == written
                continue
            accounted += slot.missed_slots
            assert np.array_equal(slot.samples, samples(accounted))
            accounted += 1
    while (slot := reader.take()) is not None:
        accounted += slot.missed_slots + 1
    assert accounted == written
