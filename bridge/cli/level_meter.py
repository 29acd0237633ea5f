"""Live levels of all inputs of an audio interface, to tell which is which: a device in; levels in dBFS out."""

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from typing import Final

import numpy as np

from bridge.source.channels import MAX_INPUTS
from bridge.source.device import Device
from bridge.source.devices import InputDevice
from bridge.source.faults import SourceLostError
from bridge.units import SILENCE_DB, db

Levels = Callable[[], Sequence[float]]
"""Returns the level of each input now, dBFS, input 1 first. Raises OSError with one line when the device is gone."""

LevelMeter = Callable[[InputDevice, int], AbstractContextManager[Levels]]
"""Opens a device at a sample rate. Raises OSError with one line when it cannot."""

BLOCK_FRAMES: Final = 1024
SINE_DB: Final = 20.0 * np.log10(np.sqrt(2.0))
"""From the rms of samples to dBFS: a full-scale sine reads 0 (AES17-2015, 3.12.1)."""


@contextmanager
def live_levels(device: InputDevice, sample_rate_hz: int) -> Iterator[Levels]:
    """Open a device and keep its levels current.

    Raises
    ------
    OSError
        When the device cannot be opened; one line.
    """
    inputs = range(1, min(device.channels, MAX_INPUTS) + 1)
    source = Device(device.name, device.host_api, inputs, sample_rate_hz, BLOCK_FRAMES)
    levels = [SILENCE_DB] * len(inputs)
    gone: list[str] = []
    done = threading.Event()

    def follow() -> None:
        while not done.is_set():
            try:
                block = source.read(0.2)
            except SourceLostError as lost:
                gone.append(str(lost))
                return
            if block is not None:
                rms = np.sqrt(np.mean(np.square(block.samples, dtype=np.float64), axis=0))
                levels[:] = [max(SILENCE_DB, db(float(value)) + SINE_DB) for value in rms]

    def now() -> Sequence[float]:
        if gone:
            raise OSError(gone[0])
        return tuple(levels)

    try:
        source.start()
    except SourceLostError as lost:
        source.stop()
        raise OSError(str(lost)) from None
    thread = threading.Thread(target=follow, name="levels", daemon=True)
    thread.start()
    try:
        yield now
    finally:
        done.set()
        thread.join()
        source.stop()
