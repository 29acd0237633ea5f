"""From the levels of inputs to the levels of the tracks of a bank, in VU: offsets and reference level applied."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.metering.levels import Column, Levels
from bridge.procedure.bank import Bank


@dataclass(frozen=True, slots=True, eq=False)
class TrackLevels:
    """The levels of the tracks of one bank at one moment; arrays of shape (tracks,), NaN where nothing can be said.

    Every field means what it means in `bridge.metering.levels.Levels`; levels of the tone are in VU.
    """

    end_frame: int
    captured_ns: int
    tone_hz: float
    tone_s: float
    vu: Column
    tone_vu: Column
    fine_vu: Column
    spread_db: Column
    tone_share: Column
    peak_dbfs: Column
    clipped: NDArray[np.bool_]
    rms_dbfs: Column
    rms_vu: Column


class Patch:
    """What joins the inputs of a source to the tracks of a bank.

    Parameters
    ----------
    bank : Bank
    source_inputs : sequence of int
        Numbers of the inputs that the source delivers, in the order of its columns.
    reference_dbfs : float
        The level of a sine that reads 0 VU.
    offsets_db : mapping of int to float
        Added to what an input measures; inputs that are not in it have none.

    Raises
    ------
    ValueError
        When the bank needs an input that the source does not deliver.
    """

    def __init__(
        self, bank: Bank, source_inputs: Sequence[int], reference_dbfs: float, offsets_db: Mapping[int, float]
    ) -> None:
        missing = [number for number in bank.inputs if number not in source_inputs]
        if missing:
            raise ValueError(f"bank {bank.number} is patched to input {missing[0]}, which the source does not deliver")
        self.bank = bank
        self._columns = np.array([list(source_inputs).index(number) for number in bank.inputs], dtype=np.intp)
        self._offset_db = np.array([offsets_db.get(number, 0.0) for number in bank.inputs])
        self._to_vu_db = self._offset_db - reference_dbfs

    def tracks(self, levels: Levels) -> TrackLevels:
        """Return the levels of the bank's tracks."""
        columns = self._columns
        return TrackLevels(
            end_frame=levels.end_frame,
            captured_ns=levels.captured_ns,
            tone_hz=levels.tone_hz,
            tone_s=levels.tone_s,
            vu=levels.vu_dbfs[columns] + self._to_vu_db,
            tone_vu=levels.tone_dbfs[columns] + self._to_vu_db,
            fine_vu=levels.fine_dbfs[columns] + self._to_vu_db,
            spread_db=levels.spread_db[columns],
            tone_share=levels.tone_share[columns],
            # What the converter sees decides on clipping, so no offset is added to the peak.
            peak_dbfs=levels.peak_dbfs[columns],
            clipped=levels.clipped[columns],
            rms_dbfs=levels.rms_dbfs[columns] + self._offset_db,
            rms_vu=levels.rms_dbfs[columns] + self._to_vu_db,
        )
