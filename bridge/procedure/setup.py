"""What a calibration is of, and where it stands."""

from collections.abc import Mapping
from dataclasses import dataclass

from bridge.procedure.bank import Bank
from bridge.procedure.steps import Step


@dataclass(frozen=True, slots=True)
class Setup:
    """What a calibration is of: the machine, its steps, its banks, and what makes VU of the interface's levels.

    ``tones_hz`` are the tones of the calibration tape as heard, beside those of the steps.
    """

    machine: str
    steps: tuple[Step, ...]
    banks: tuple[Bank, ...]
    reference_dbfs: float
    offsets_db: Mapping[int, float]
    tones_hz: tuple[float, ...] = ()

    @property
    def tracks(self) -> tuple[int, ...]:
        """The tracks of all banks, in rising order."""
        return tuple(sorted({track for bank in self.banks for track in bank.tracks}))


@dataclass(frozen=True, slots=True)
class Place:
    """Where a calibration stands: number of the step and of the bank, each from 1; step 0 when there are none."""

    step: int
    bank: int
