"""From the last sample of a block to the datagram at the receiver.

A source in this process hands over each block and notes when; the frame that the block completes is received on a real
UDP socket. What the interface, its driver and the block itself take comes on top and is not the daemon's.
"""

import queue
import select
import socket
import time
from pathlib import Path

import numpy as np

from bridge.config.load import loads
from bridge.daemon.service import Service
from bridge.source.block import Block, Losses
from tools.bench.timing import report

TRACKS, RATE_HZ, FRAMES = 24, 96_000, 512
FRAMES_WANTED = 600


class Clocked:
    """A source that releases each block when it is due and remembers when."""

    sample_rate_hz = RATE_HZ
    inputs = tuple(range(1, TRACKS + 1))
    description = "clocked"
    losses = Losses()

    def __init__(self) -> None:
        tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(RATE_HZ) / RATE_HZ)
        self._tone = np.repeat(tone[:, None], TRACKS, axis=1).astype(np.float32)
        self._number = 0
        self.released_s: queue.Queue[tuple[int, float]] = queue.Queue()

    def start(self) -> None:
        self._begun_s = time.monotonic()

    def read(self, timeout_s: float) -> Block | None:  # noqa: ARG002 - a block is never that far away
        first = self._number * FRAMES
        ahead_s = self._begun_s + (first + FRAMES) / RATE_HZ - time.monotonic()
        if ahead_s > 0:
            time.sleep(ahead_s)
        self._number += 1
        at = first % (RATE_HZ - FRAMES)
        block = Block(self._tone[at : at + FRAMES].copy(), first, time.time_ns())
        self.released_s.put((first + FRAMES, time.monotonic()))
        return block

    def stop(self) -> None:
        pass


def main() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        config = (
            f'[machine]\nname = "bench"\ntracks = {TRACKS}\n[audio]\nsample_rate_hz = {RATE_HZ}\n'
            f'[osc]\nport = 0\ndestinations = ["127.0.0.1:{receiver.getsockname()[1]}"]\n'
            "[page]\nport = 0\n[log]\nenabled = false\n"
        )
        source = Clocked()
        service = Service(loads(config, Path("bench.toml")), config, make_source=lambda: source)
        service.start()
        took_ms = []
        try:
            while len(took_ms) < FRAMES_WANTED:
                select.select([receiver], [], [], 5.0)
                arrived_s = time.monotonic()
                receiver.recv(65536)
                # The frame belongs to the block released last: the next is 5 ms away.
                released_s = 0.0
                while not source.released_s.empty():
                    released_s = source.released_s.get()[1]
                took_ms.append(1e3 * (arrived_s - released_s))
        finally:
            service.stop()
    median, late = np.percentile(took_ms[30:], [50, 99])
    report("block to datagram, median, ms", median, "< 2", median < 2.0)
    report("block to datagram, 99th percentile, ms", late, "< 2", late < 2.0)
