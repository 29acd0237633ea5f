"""What a calibration is of, and where it stands."""

from collections.abc import Mapping
from dataclasses import dataclass

from bridge.procedure.bank import Bank
from bridge.procedure.steps import Step
from bridge.procedure.tapes import NO_TAPES, Tapes
from bridge.tape.calibration_tape import CalibrationTape


@dataclass(frozen=True, slots=True)
class Setup:
    """What a calibration is of: the machine, its steps, its banks, and what makes VU of the interface's levels.

    ``tapes`` are the calibration tapes, for tones beside those of the steps and for tapes at a wrong speed.
    """

    machine: str
    steps: tuple[Step, ...]
    banks: tuple[Bank, ...]
    reference_dbfs: float
    offsets_db: Mapping[int, float]
    tapes: Tapes = NO_TAPES

    @property
    def tracks(self) -> tuple[int, ...]:
        """The tracks of all banks, in rising order."""
        return tuple(sorted({track for bank in self.banks for track in bank.tracks}))

    def tape_in(self, number: int) -> CalibrationTape | None:
        """Return the calibration tape that is on in a step, by its number from 1.

        None on the record side, and where there is no such step.
        """
        return self.tapes.of(self.steps[number - 1]) if 1 <= number <= len(self.steps) else None


@dataclass(frozen=True, slots=True)
class Place:
    """Where a calibration stands: number of the step and of the bank, each from 1; step 0 when there are none."""

    step: int
    bank: int
