"""What every source promises, as tests. A subclass says how to make one; see `bridge.source.block.Source`."""

import threading
import time
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest

from bridge.source.block import Block, Source
from bridge.source.faults import SourceLostError
from tests.system.jack import wait_until

PATIENCE_S = 30.0
"""For anything that takes milliseconds on an idle machine."""


def next_block(source: Source) -> Block:
    """Return the next block, however long the machine takes."""
    found: list[Block] = []

    def came() -> bool:
        block = source.read(0.2)
        found.extend([block] if block else [])
        return bool(found)

    wait_until(came, "a block", PATIENCE_S)
    return found[0]


class SourceContract:
    """Subclass as ``Test…`` and give the fixture ``source``: a new one, not started.

    ``BLOCK_FRAMES`` is what it was made with; ``BLOCKS`` how many whole blocks it delivers at least.
    """

    BLOCK_FRAMES = 512
    BLOCKS = 20
    ENDS = True

    @pytest.fixture
    def running(self, source: Source) -> Iterator[Source]:
        source.start()
        yield source
        source.stop()

    def test_says_what_it_is_in_one_line(self, source: Source) -> None:
        assert source.description
        assert "\n" not in source.description
        assert 44_100 <= source.sample_rate_hz <= 192_000
        assert 1 <= len(source.inputs) <= 64

    def test_blocks_have_the_promised_type_and_order(self, running: Source) -> None:
        for _ in range(3):
            block = next_block(running)
            assert block.samples.dtype == np.float32
            assert block.samples.shape == (self.BLOCK_FRAMES, len(running.inputs))
            assert block.samples.flags.c_contiguous
            assert np.isfinite(block.samples).all()

    def test_a_block_belongs_to_its_receiver(self, running: Source) -> None:
        blocks = [next_block(running) for _ in range(4)]
        for one, other in pairwise(blocks):
            assert not np.shares_memory(one.samples, other.samples)
        before = blocks[1].samples.copy()
        blocks[0].samples[:] = 0.25
        for _ in range(3):
            next_block(running).samples[:] = 0.5
        assert np.array_equal(blocks[1].samples, before)

    def test_frame_numbers_start_at_zero_and_every_gap_is_counted(self, running: Source) -> None:
        end_frame = gaps = 0
        for _ in range(self.BLOCKS):
            block = next_block(running)
            assert block.first_frame >= end_frame
            gaps += block.first_frame - end_frame
            assert block.end_frame == block.first_frame + len(block.samples)
            end_frame = block.end_frame
        assert gaps == running.losses.frames
        # A driver can report an overrun in which nothing was lost, but nothing may be lost without one.
        assert running.losses.overruns > 0 or gaps == 0

    def test_capture_times_increase_strictly_and_at_the_sample_rate(self, running: Source) -> None:
        blocks = [next_block(running) for _ in range(self.BLOCKS)]
        assert all(isinstance(block.captured_ns, int) for block in blocks)
        for earlier, later in pairwise(blocks):
            assert later.captured_ns > earlier.captured_ns
            nominal_ns = (later.end_frame - earlier.end_frame) * 1e9 / running.sample_rate_hz
            # While a clock finds its course it may run 1 % off.
            assert later.captured_ns - earlier.captured_ns == pytest.approx(nominal_ns, rel=0.02, abs=2.0)

    def test_a_read_without_time_returns(self, running: Source) -> None:
        began_s = time.monotonic()
        for _ in range(self.BLOCKS):
            block = running.read(0.0)
            assert block is None or isinstance(block, Block)
        assert time.monotonic() - began_s < PATIENCE_S

    def test_a_read_before_the_start_is_refused(self, source: Source) -> None:
        with pytest.raises(SourceLostError):
            source.read(0.0)

    def test_a_read_after_the_stop_is_refused(self, source: Source) -> None:
        source.start()
        next_block(source)
        source.stop()
        with pytest.raises(SourceLostError):
            for _ in range(1000):
                source.read(0.0)

    def test_stops_at_once_again_and_without_a_start(self, source: Source) -> None:
        threads = set(threading.enumerate())
        source.start()
        next_block(source)
        for _ in range(3):
            began_s = time.monotonic()
            source.stop()
            # Promised is 1 s; the rest is for the machine that runs the tests.
            assert time.monotonic() - began_s < 5.0
        wait_until(lambda: set(threading.enumerate()) <= threads, "no thread is left")

    def test_stops_without_a_start(self, source: Source) -> None:
        source.stop()
        source.stop()

    def test_a_stop_from_another_thread_ends_a_waiting_read(self, source: Source) -> None:
        source.start()
        next_block(source)
        ended = threading.Event()

        def read_on() -> None:
            try:
                while source.read(PATIENCE_S) is not None:
                    pass
            except (SourceLostError, EOFError):
                pass
            ended.set()

        reader = threading.Thread(target=read_on)
        reader.start()
        source.stop()
        assert ended.wait(PATIENCE_S)
        reader.join()

    def test_the_end_is_an_end_of_file_each_time(self, running: Source) -> None:
        if not self.ENDS:
            # What does not end goes on: many blocks and no EOFError.
            for _ in range(3 * self.BLOCKS):
                next_block(running)
            return
        with pytest.raises(EOFError):
            for _ in range(1_000_000):
                running.read(0.2)
        with pytest.raises(EOFError):
            running.read(0.0)
