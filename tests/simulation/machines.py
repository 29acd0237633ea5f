"""Invented machines, tapes and conditions for the tests of the simulation, and the plainest of measurements."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bridge.simulation.condition import Condition
from bridge.simulation.recorder import Recorder
from bridge.simulation.rendering import Renderer
from bridge.simulation.tape import Passage, TapeContent
from bridge.tape.calibration_tape import CalibrationTape, Tone
from bridge.tape.equalization import Equalization
from bridge.tape.machine import Machine, Speed

IEC1_15 = Equalization("iec1", 35.0, 0.0)
NAB_15 = Equalization("nab", 50.0, 3180.0)
TONES = (Tone(1000.0, 0.0, 60.0), Tone(10_000.0, 0.0, 60.0), Tone(100.0, 0.0, 60.0))
TAPE = CalibrationTape(320.0, 15.0, IEC1_15, TONES, fringing_compensated=True, name="Invented calibration tape")
PERFECT = Condition.perfect()


def machine(tracks: int = 8, curve: Equalization = IEC1_15) -> Machine:
    return Machine("Invented recorder", tracks, 320.0, 0.94, 2.11, (Speed(15.0, curve),))


def with_tone(
    hz: float, condition: Condition = PERFECT, *, tracks: int = 8, seconds: float = 600.0, **more: object
) -> Recorder:
    """A recorder that plays nothing but one tone, from the start on and at full speed at once."""
    tape = replace(TAPE, tones=(Tone(hz, 0.0, seconds),))
    content = TapeContent([Passage("tone", seconds, hz)])
    recorder = Recorder(machine(tracks), tape, condition, content=content, **more)  # type: ignore[arg-type]
    recorder.transport.jump(0.0, 0)
    return recorder


def heard(recorder: Recorder, start_s: float, end_s: float) -> NDArray[np.float64]:
    """Samples, shape (frames, tracks)."""
    rate_hz = recorder.sample_rate_hz
    first = round(start_s * rate_hz)
    return Renderer(recorder).render(first, round(end_s * rate_hz) - first).astype(np.float64)


def rms_dbfs(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rms level of each track, where a full-scale sine reads 0 dBFS (AES17-2015, 3.12.1)."""
    return np.asarray(10.0 * np.log10(2.0 * np.mean(samples**2, axis=0)))
