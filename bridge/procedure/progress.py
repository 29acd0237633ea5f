"""How far the calibration has come: logged trims in; what each track has in each step, and what is missing, out.

A step is known by its adjustment, tone and speed, not by its number, so that a trim keeps its place when steps join or
leave the plan.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.procedure.bank import Bank
from bridge.procedure.steps import Step
from bridge.readings import Trim

Key = tuple[str, int, int]
"""Adjustment, tone in tenths of a hertz, speed in hundredths of an inch a second."""


@dataclass(frozen=True, slots=True)
class Record:
    """A trim in the log: its id and what it says."""

    trim_id: str
    trim: Trim


@dataclass(frozen=True, slots=True)
class Missing:
    """The tracks of a step (1…) for which nothing stands in the log."""

    step: int
    tracks: tuple[int, ...]


def key_of(of: Step | Trim) -> Key:
    """Return what tells the step of a trim from any other."""
    return of.adjustment, round(of.tone_hz * 10.0), round(of.speed_ips * 100.0)


class Progress:
    """What is logged, withdrawn trims left out."""

    def __init__(self) -> None:
        self._records: dict[Key, dict[int, list[Record]]] = {}
        self._awaited: set[tuple[Key, int]] = set()

    def restore(self, records: Iterable[Record]) -> None:
        """Begin anew with what the log holds, in the order of logging."""
        self._records.clear()
        self._awaited.clear()
        for record in records:
            self.logged(record)

    def await_log(self, trim: Trim) -> None:
        """Take note that a trim is on its way into the log."""
        self._awaited.add((key_of(trim), trim.track))

    def logged(self, record: Record) -> None:
        """Take note of a trim that is in the log."""
        key = key_of(record.trim)
        self._awaited.discard((key, record.trim.track))
        self._records.setdefault(key, {}).setdefault(record.trim.track, []).append(record)

    def not_logged(self, trim: Trim) -> None:
        """Take note that the log has refused a trim."""
        self._awaited.discard((key_of(trim), trim.track))

    def withdrawn(self, trim_id: str) -> None:
        """Take note that a trim is withdrawn."""
        for tracks in self._records.values():
            for records in tracks.values():
                records[:] = [record for record in records if record.trim_id != trim_id]

    def has(self, step: Step, track: int) -> bool:
        """Return whether something stands in the log, or is on its way there, for a track in a step."""
        key = key_of(step)
        return bool(self._records.get(key, {}).get(track)) or (key, track) in self._awaited

    def found_and_left(self, step: Step, track: int) -> tuple[Trim, Trim] | None:
        """Return the first and the last trim of a track in a step: as found, and as left. None when there is none."""
        records = self._records.get(key_of(step), {}).get(track)
        return (records[0].trim, records[-1].trim) if records else None

    def missing(self, steps: Sequence[Step], banks: Sequence[Bank]) -> tuple[Missing, ...]:
        """Return the steps that are not complete over the tracks of all banks."""
        tracks = sorted({track for bank in banks for track in bank.tracks})
        incomplete = []
        for number, step in enumerate(steps, start=1):
            open_tracks = tuple(track for track in tracks if not self.has(step, track))
            if open_tracks:
                incomplete.append(Missing(number, open_tracks))
        return tuple(incomplete)
