"""The frame: what the procedure knows of each track in, what the sinks are told of it out."""

import math
from collections.abc import Mapping, Sequence

from bridge.procedure.bank import Bank
from bridge.procedure.patch import TrackLevels
from bridge.procedure.steps import Step
from bridge.readings import Reading, State, StepReading
from bridge.units import SILENCE_DB

NO_STEP = StepReading(0, 0, "", 0.0, 0.0, 0.0, 0.0)


def step_reading(steps: Sequence[Step], index: int) -> StepReading:
    """Return a step (0…) as it is published; an index of −1 stands for none."""
    if index < 0:
        return NO_STEP
    step = steps[index]
    return StepReading(
        number=index + 1,
        count=len(steps),
        adjustment=step.adjustment,
        tone_hz=step.tone_hz,
        speed_ips=step.speed_ips,
        target_vu=step.target_vu,
        tolerance_db=step.tolerance_db,
    )


def silent_readings(bank: Bank, target_vu: float, reference_dbfs: float) -> tuple[Reading, ...]:
    """Return the readings of a bank without a source."""
    vu = SILENCE_DB - reference_dbfs
    return tuple(
        Reading(track, vu, vu - target_vu, math.nan, math.nan, "quiet", SILENCE_DB, SILENCE_DB) for track in bank.tracks
    )


def readings(
    bank: Bank, tracks: TrackLevels, target_vu: float, states: Sequence[State], clipped: Mapping[int, float]
) -> tuple[Reading, ...]:
    """Return the readings of a bank; tracks at the places (0…) in ``clipped`` are shown as clipped."""
    columns = zip(
        bank.tracks,
        tracks.vu.tolist(),
        (tracks.vu - target_vu).tolist(),
        (tracks.fine_vu - target_vu).tolist(),
        tracks.spread_db.tolist(),
        ("clipped" if place in clipped else state for place, state in enumerate(states)),
        tracks.peak_dbfs.tolist(),
        tracks.rms_dbfs.tolist(),
        strict=True,
    )
    return tuple(Reading(*column) for column in columns)
