"""How far the calibration has come: logged trims in; what each track has in each step, and what is missing, out.

A track is complete in a step when a trim of it stands in the log (withdrawn ones do not) and its trimmer has not been
seen to move since. What stands in the log alone decides, so a calibration that is resumed is as complete as it was.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from bridge.procedure.steps import Step, belongs, speed_told, step_of
from bridge.ranges import ranges, tracks_named
from bridge.readings import Trim

TRACKS_TOLD: Final = "tracks"
"""The kind of event by which the log knows which tracks a calibration is for."""


@dataclass(frozen=True, slots=True)
class Record:
    """A trim in the log: its id and what it says."""

    trim_id: str
    trim: Trim


@dataclass(frozen=True, slots=True)
class Found:
    """What a track read at a moment, counted from the start of the source.

    ``at_ns`` is the Unix time of what the log remembers from before the start; else 0.
    """

    level_vu: float
    at_s: float
    at_ns: int = 0


@dataclass(frozen=True, slots=True)
class Turned:
    """A trimmer that was turned without being logged: in which step, and what its track read before.

    Parameters
    ----------
    adjustment, tone_hz, speed_ips, target_vu
        Those of the step.
    track : int
        1….
    level_vu : float
    at_ns : int
        When it read that, as Unix time in nanoseconds.
    """

    adjustment: str
    tone_hz: float
    speed_ips: float
    target_vu: float
    track: int
    level_vu: float
    at_ns: int


@dataclass(frozen=True, slots=True)
class Missing:
    """The tracks of a step (1…) that are not complete; ``speed`` says at which speed where there are several."""

    step: int
    tracks: tuple[int, ...]
    speed: str = field(default="", compare=False)

    def __str__(self) -> str:
        """Return it as a few words."""
        return f"step {self.step}{self.speed}: {tracks_named(self.tracks)}"


def turned_told(turned: Iterable[Missing], steps: Sequence[Step]) -> str:
    """Return what was turned in these steps without being logged, a few words; empty when nothing was."""
    return "; ".join(f"{steps[one.step - 1].adjustment} {ranges(one.tracks)}{one.speed}" for one in turned)


_Unlogged = list[tuple[Step, Found]]
"""What a track read in a step before its trimmer was turned without being logged."""


@dataclass(slots=True)
class _Account:
    """What is known of one track and one kind of trimmer, over all its steps.

    With each trim goes what was turned before and is part of it.
    """

    records: list[tuple[Record, _Unlogged]] = field(default_factory=list)
    awaited: list[tuple[Trim, _Unlogged]] = field(default_factory=list)
    unlogged: _Unlogged = field(default_factory=list)


class Progress:
    """What is logged, what is on its way into the log, and which trimmers have moved since."""

    def __init__(self) -> None:
        self._accounts: dict[tuple[str, int], _Account] = {}
        self._ids: list[str] = []
        self._withdrawn: dict[str, _Unlogged] = {}
        self._unlogged: tuple[Missing, ...] = ()
        self._unlogged_at = 0
        self.revision = 0
        """Rises with every change."""

    def restore(
        self,
        records: Iterable[Record],
        withdrawn: Iterable[str] = (),
        turned: Iterable[Turned] = (),
        steps: Sequence[Step] = (),
    ) -> None:
        """Take what the log holds, in the order of logging; what was turned and not logged stays so.

        ``withdrawn`` are the ids of those that do not stand. ``turned`` is what the log says was turned since, each in
        the first of ``steps`` that it fits.
        """
        for account in self._accounts.values():
            account.records.clear()
        self._ids.clear()
        self.revision += 1
        for record in records:
            self._stand(record, [])
        self._withdrawn = {trim_id: [] for trim_id in withdrawn}
        for one in turned:
            step = step_of(one, steps)
            if step is not None:
                # What was read before the start comes before all that was read since.
                self._of(step.adjustment, one.track).unlogged.append((step, Found(one.level_vu, 0.0, one.at_ns)))

    def clear(self) -> None:
        """Begin a calibration in which nothing has been done."""
        self._accounts.clear()
        self._ids.clear()
        self._withdrawn.clear()
        self.revision += 1

    @property
    def newest(self) -> str:
        """Id of the trim that was logged last and still stands; empty when there is none."""
        return next((trim_id for trim_id in reversed(self._ids) if trim_id not in self._withdrawn), "")

    @property
    def count(self) -> int:
        """How many trims are in the log and stand."""
        return sum(trim_id not in self._withdrawn for trim_id in self._ids)

    def await_log(self, trim: Trim) -> None:
        """Take note that a trim is on its way into the log: what was turned before is part of it."""
        account = self._of(trim.adjustment, trim.track)
        account.awaited.append((trim, [one for one in account.unlogged if belongs(trim, one[0])]))
        account.unlogged = [one for one in account.unlogged if not belongs(trim, one[0])]
        self.revision += 1

    def logged(self, record: Record) -> None:
        """Take note of a trim that is in the log."""
        self._stand(record, self._no_longer_awaited(record.trim))

    def not_logged(self, trim: Trim) -> None:
        """Take note that the log has refused a trim: what was part of it is not logged either."""
        self._of(trim.adjustment, trim.track).unlogged += self._no_longer_awaited(trim)

    def withdrawn(self, trim_id: str) -> Trim | None:
        """Take note that a trim is withdrawn; return it, or None when it was not of this calibration."""
        found = None if trim_id in self._withdrawn else self._find(trim_id)
        if found is None:
            return None
        account, place = found
        record, unlogged = account.records[place]
        account.unlogged += unlogged
        self._withdrawn[trim_id] = unlogged
        self.revision += 1
        return record.trim

    def reinstated(self, trim_id: str) -> Trim | None:
        """Take note that a withdrawn trim stands again; return it, or None when it was not of this calibration.

        What was turned before is part of it again, unless the trimmer was turned once more meanwhile.
        """
        if trim_id not in self._withdrawn:
            return None
        part = self._withdrawn.pop(trim_id)
        self.revision += 1
        found = self._find(trim_id)
        if found is None:
            return None
        account, place = found
        record, _ = account.records[place]
        part = [one for one in part if one in account.unlogged]
        account.unlogged = [one for one in account.unlogged if one not in part]
        account.records[place] = (record, part)
        return record.trim

    def turned(self, step: Step, track: int, found: Found) -> Found:
        """Take note that a trimmer has moved and is not logged; ``found`` is what the track read before.

        Return what it read before the first such movement.
        """
        account = self._of(step.adjustment, track)
        first = self.unlogged(step, track)
        if first is None:
            account.unlogged.append((step, found))
            self.revision += 1
        for record, _ in account.records:
            if record.trim_id in self._withdrawn and belongs(record.trim, step):
                # What that trim left is no more, also if it is reinstated.
                self._withdrawn[record.trim_id] = []
        return found if first is None else first

    def unlogged(self, step: Step, track: int) -> Found | None:
        """Return what a track read before its trimmer was turned without being logged; None when it was not."""
        unlogged = (found for of_step, found in self._of(step.adjustment, track).unlogged if of_step == step)
        return min(unlogged, key=_at_s, default=None)

    def unlogged_of(self, steps: Sequence[Step], tracks: Sequence[int]) -> tuple[Missing, ...]:
        """Return the steps in which one of these tracks was turned without being logged, and which tracks were."""
        if self._unlogged_at != self.revision:
            self._unlogged_at = self.revision
            turned = (
                (number, tuple(track for track in tracks if self.unlogged(step, track) is not None))
                for number, step in enumerate(steps, start=1)
            )
            self._unlogged = tuple(
                Missing(number, found, speed_told(steps[number - 1], steps)) for number, found in turned if found
            )
        return self._unlogged

    def standing(self, step: Step, track: int) -> tuple[Trim, ...]:
        """Return the trims of a track that stand in the log for a step, the oldest first."""
        records = self._of(step.adjustment, track).records
        return tuple(record.trim for record, _ in records if self._stands(record, step))

    def found_and_left(self, step: Step, track: int) -> tuple[Trim, Trim] | None:
        """Return the first and the last trim of a track in a step: as found, and as left. None when there is none."""
        trims = self.standing(step, track)
        return (trims[0], trims[-1]) if trims else None

    def is_complete(self, step: Step, track: int) -> bool:
        """Return whether a track has what it needs in a step, be it still on its way to the disk."""
        account = self._of(step.adjustment, track)
        if any(of_step == step for of_step, _ in account.unlogged):
            return False
        return any(self._stands(record, step) for record, _ in account.records) or any(
            belongs(trim, step) for trim, _ in account.awaited
        )

    def is_undone(self, step: Step, track: int) -> bool:
        """Return whether all that a track had in the log for a step was withdrawn."""
        if self.is_complete(step, track):
            return False
        records = [record for record, _ in self._of(step.adjustment, track).records if belongs(record.trim, step)]
        return bool(records) and all(record.trim_id in self._withdrawn for record in records)

    def missing(self, steps: Sequence[Step], tracks: Sequence[int]) -> tuple[Missing, ...]:
        """Return the steps that are not complete over these tracks, and which tracks are missing."""
        incomplete = []
        for number, step in enumerate(steps, start=1):
            open_tracks = tuple(track for track in tracks if not self.is_complete(step, track))
            if open_tracks:
                incomplete.append(Missing(number, open_tracks, speed_told(step, steps)))
        return tuple(incomplete)

    def _of(self, adjustment: str, track: int) -> _Account:
        return self._accounts.setdefault((adjustment, track), _Account())

    def _find(self, trim_id: str) -> tuple[_Account, int] | None:
        """Return the account of a trim, and its place there; None when it is not of this calibration."""
        for account in self._accounts.values():
            for place, (record, _) in enumerate(account.records):
                if record.trim_id == trim_id:
                    return account, place
        return None

    def _stands(self, record: Record, step: Step) -> bool:
        return record.trim_id not in self._withdrawn and belongs(record.trim, step)

    def _stand(self, record: Record, unlogged: _Unlogged) -> None:
        self._of(record.trim.adjustment, record.trim.track).records.append((record, unlogged))
        self._ids.append(record.trim_id)
        self.revision += 1

    def _no_longer_awaited(self, trim: Trim) -> _Unlogged:
        awaited = self._of(trim.adjustment, trim.track).awaited
        self.revision += 1
        for place, (waiting, unlogged) in enumerate(awaited):
            if waiting is trim:
                del awaited[place]
                return unlogged
        return []


def _at_s(found: Found) -> float:
    return found.at_s
