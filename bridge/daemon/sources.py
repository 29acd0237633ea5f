"""From settings to a source, not yet started."""

import time

from bridge.config.convert import to_banks, to_machine, to_tapes
from bridge.config.settings import Settings
from bridge.source.block import Source
from bridge.source.device import Device
from bridge.source.recording import Recording
from bridge.source.simulated import Simulated, practice_recorders


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
    if audio.source == "simulated":
        return open_simulated(settings)
    return Device(audio.device, audio.host_api, inputs, audio.sample_rate_hz, audio.block_frames)


def open_simulated(settings: Settings) -> Simulated:
    """Return the simulated recorder of the settings, the first bank patched."""
    audio = settings.audio
    recorders = practice_recorders(
        to_machine(settings),
        to_tapes(settings),
        sample_rate_hz=audio.sample_rate_hz,
        reference_dbfs=audio.reference_dbfs,
        seed=settings.simulated.seed,
    )
    bank = to_banks(settings)[0]
    return Simulated(
        *recorders,
        patch=zip(bank.tracks, bank.inputs, strict=True),
        inputs=wanted_inputs(settings),
        block_frames=audio.block_frames,
    )
