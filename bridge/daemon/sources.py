"""From settings to a source, not yet started."""

import time

from bridge.config.convert import to_banks
from bridge.config.settings import Settings
from bridge.source.block import Source
from bridge.source.device import Device
from bridge.source.recording import Recording


def wanted_inputs(settings: Settings) -> tuple[int, ...]:
    """Return the numbers of all inputs that some bank is patched to, in rising order."""
    return tuple(sorted({number for bank in to_banks(settings) for number in bank.inputs}))


def open_source(settings: Settings) -> Source:
    """Return the source that the settings name.

    Raises
    ------
    ValueError
        When it cannot be, whatever is plugged in.
    """
    audio = settings.audio
    inputs = wanted_inputs(settings)
    if audio.source == "recording":
        assert audio.recording is not None
        return Recording(audio.recording, inputs, audio.block_frames, realtime=True, epoch_ns=time.time_ns())
    return Device(audio.device, audio.host_api, inputs, audio.sample_rate_hz, audio.block_frames)
