"""How a calibration goes on or ends, and what was asked for: where it stands goes in; a line for a person comes out."""

import re
from dataclasses import dataclass

from bridge.control.inbox import Request
from bridge.log.calibrations import Resumption
from bridge.procedure.calibration import Calibration
from bridge.procedure.setup import Setup
from bridge.procedure.steps import speed_told


def goes_on(resumption: Resumption, calibration: Calibration, setup: Setup) -> str:
    """Return where a calibration goes on: who comes back after a stop, or a fall, must not begin at the beginning."""
    step = calibration.step
    speed = speed_told(step, setup.steps) if step is not None else ""
    where = f", step {resumption.step}: {step.adjustment} at {step.tone_hz:g} Hz{speed}" if step is not None else ""
    return (
        f"calibration {resumption.calibration} of {setup.machine}, "
        f"{_counted(calibration.progress.count)} in the log{where}"
    )


@dataclass(frozen=True, slots=True)
class Ended:
    """How a calibration ended: ``short`` for who looks up, ``whole`` with every step that lacks something."""

    short: str
    whole: str
    is_complete: bool


def ended(name: str, calibration: Calibration, setup: Setup) -> Ended:
    """Return how a calibration ends that is to be finished."""
    said, missing = f"calibration {name} finished: {_counted(calibration.progress.count)}, ", calibration.missing()
    if not missing:
        return Ended(f"{said}complete", f"{said}complete", is_complete=True)
    wanted = len(setup.steps) * len(setup.tracks)
    lacks = sum(len(one.tracks) for one in missing)
    whole = f"{said}missing {'; '.join(map(str, missing))}"
    return Ended(f"{said}{lacks} of {wanted} missing", whole, is_complete=False)


def asked(request: Request) -> str:
    """Return a command in words: ``go to step``."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", type(request.command).__name__).lower()


def _counted(trims: int) -> str:
    return f"{trims} trim{'' if trims == 1 else 's'}"
