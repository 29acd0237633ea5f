"""A visit: one stay at one step with one bank. What is seen of each track goes in, the trims to be logged come out.

As found is what the track read before its trimmer was first moved without a record of it: before this act; or, when a
person has logged in the middle of the act, what that record left; or, when it was turned while nothing could be logged,
what it read before that.

Bias has no target. Its trims count from the highest level that the track has had since the visit began: left 3 dB below
the peak is −3 dB, and ``target_vu`` is where the peak was. They are never judged, and never logged unless the trimmer
was turned or a person says so.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from bridge.procedure.bank import Bank
from bridge.procedure.patch import TrackLevels
from bridge.procedure.progress import Found, Progress, Turned
from bridge.procedure.settling import SHORTEST_S, Settled
from bridge.procedure.steps import Step
from bridge.procedure.trim_watch import MoveStarted, TrimCut, TrimFound
from bridge.procedure.unverified import CHANGED, DRIFTED, SILENT, TURNED, UNSEEN, UNSTEADY, Unverified
from bridge.ranges import tracks_named
from bridge.readings import Trim, TrimKind
from bridge.tape.machine import path_of
from bridge.units import signed

SAME_DB: Final = 0.05
"""Two readings of one level differ by no more on steady tape: one is over 0.4 s, the other over 2 s and more."""

LEAST_FOUND_S: Final = 0.6
"""What was seen of a level for less than this before it was turned may hold some of the movement."""

SAME_SPREADS: Final = 3.0
"""On unsteady tape it is so many times its spread."""

FAINT_DB: Final = 26.0
"""What is so far below its target, a twentieth of the voltage, is no tone of the tape: it is hum, crosstalk, or the
noise of a track that plays nothing. A trimmer of the repro side reaches some 10 dB. Common practice, no source."""

DISPLACED_DB: Final = 0.1
"""A playback level that is so far from where it was makes every trim wrong by as much as the tightest tolerance."""

AFTER_MOVE_S: Final = 2.0
"""A playback level that is being moved is known to stand after so long."""

OFF_TONE: Final = 0.03
"""A tone this far from the step's is another one: speed is off by 1 % at most, the nearest tones by a third octave."""


def on_tone(step: Step, tone_hz: float) -> bool:
    """Return whether a tone is the step's."""
    return abs(tone_hz - step.tone_hz) <= OFF_TONE * step.tone_hz


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment as seconds from the start of the source and as Unix time in nanoseconds."""

    position_s: float
    captured_ns: int

    def unix_ns(self, found: Found) -> int:
        """Return the Unix time at which something was found."""
        return found.at_ns or self.of_source_ns(found.at_s)

    def of_source_ns(self, position_s: float) -> int:
        """Return the Unix time of another moment of the source."""
        return self.captured_ns - round((self.position_s - position_s) * 1e9)


@dataclass(frozen=True, slots=True)
class Left:
    """What a track was left at; the standard error is NaN where the level is a reading and not a mean."""

    level_vu: float
    spread_db: float
    standard_error_db: float = math.nan

    @classmethod
    def of(cls, settled: Settled, level_vu: float) -> Self:
        """Return what a settled level says; ``level_vu`` is that level in VU."""
        return cls(level_vu, settled.spread_db, settled.standard_error_db)


class Visit:
    """One stay at one step with one bank; places count from 0 in the bank.

    Parameters
    ----------
    machine : str
        Whose trims.
    step : Step
    bank : Bank
    progress : Progress
    again : bool
        Whether what is right is verified also where something stands in the log already.
    """

    def __init__(self, machine: str, step: Step, bank: Bank, progress: Progress, *, again: bool = False) -> None:
        self.step: Final = step
        self._machine = machine
        self._bank = bank
        self._progress = progress
        self._again = again
        self._found: dict[int, Found] = {}
        self._found_spread_db: dict[int, float] = {}
        self._touched: set[int] = set()
        self._logged: dict[int, list[Trim]] = {}
        self._forgotten: list[Trim] = []
        self._peak_vu = np.full(len(bank.tracks), -math.inf)
        self._from_s = -math.inf
        self._displaced_db = 0.0
        self._turned_displaced: set[int] = set()

    def see(self, tracks: TrackLevels, position_s: float) -> None:
        """Take the next levels."""
        if position_s < self._from_s or not on_tone(self.step, tracks.tone_hz):
            return
        if self.step.adjustment == "bias":
            self._peak_vu = np.fmax(self._peak_vu, tracks.fine_vu)
        if len(self._found) < len(self._bank.tracks):
            for place in np.flatnonzero(~np.isnan(tracks.spread_db)).tolist():
                if place not in self._found:
                    self._found[place] = Found(float(tracks.fine_vu[place]), position_s)
                    self._found_spread_db[place] = float(tracks.spread_db[place])

    def level_moved(self, position_s: float, by_db: float) -> str:
        """Take note that the playback level was moved; return what a person should know of it.

        What was read before compares with nothing any more.
        """
        was_displaced = self._is_displaced
        self._displaced_db += by_db
        self.begin_reading(position_s)
        said = f"all tracks moved by {signed(by_db)} dB: the playback level, not a trim"
        if not was_displaced or self._is_displaced:
            return said
        turned = sorted(self._turned_displaced)
        self._turned_displaced.clear()
        look = f"; {tracks_named(turned)} {'was' if len(turned) == 1 else 'were'} turned meanwhile: look again"
        return f"{said}; it is back where it was{look if turned else ''}"

    @property
    def notice(self) -> str:
        """What a person should know of the playback level, one line; empty when it is where it was."""
        if not self._is_displaced:
            return ""
        way = "higher" if self._displaced_db > 0.0 else "lower"
        return f"all tracks are {abs(self._displaced_db):.1f} dB {way} than before: put the playback level back first"

    @property
    def _is_displaced(self) -> bool:
        return abs(self._displaced_db) >= DISPLACED_DB

    def begin_reading(self, position_s: float) -> None:
        """Forget what was read: it compares with nothing any more."""
        self._from_s = position_s + AFTER_MOVE_S
        self._found.clear()
        self._peak_vu[:] = -math.inf

    def turned(self, act: TrimFound | TrimCut, now: Moment) -> Turned | None:
        """Take note of a movement that is not logged; return what the track read before anything unlogged.

        None when a person has logged by hand what it came to.
        """
        place, step = act.track, self.step
        self._touched.add(place)
        found = self._found_by(act)
        meanwhile = self._by_hand_since(place, act.started_s)
        if meanwhile is not None:
            if isinstance(act, TrimFound) and self._is_left_at(act, meanwhile):
                return None
            found = Found(meanwhile.level_vu, act.started_s)
        return turned_of(step, self._bank.tracks[place], found, self._progress, now)

    def in_hand(self, act: MoveStarted, now: Moment) -> Turned:
        """Return what the track of a movement that has just begun read before anything unlogged."""
        track = self._bank.tracks[act.track]
        meanwhile = self._by_hand_since(act.track, act.started_s)
        found = self._progress.unlogged(self.step, track) or meanwhile or self._found_by(act)
        return _turned(self.step, track, found, now)

    def left_by_hand(self, trim: Trim, now: Moment) -> Turned:
        """Return what a track is known to have read before whatever is turned after a trim by hand."""
        return _turned(self.step, trim.track, _left(trim), now)

    def trim(self, act: TrimFound, now: Moment) -> Trim | None:
        """Return the trim that an act comes to; None when a person has logged it by hand meanwhile."""
        place, step = act.track, self.step
        self._touched.add(place)
        found = self._found_by(act)
        # Another level than the act's own is not the one that it was put back to.
        is_its_own = found.level_vu == step.target_vu + act.as_found.level_db
        kind: TrimKind = "undone" if act.undone and is_its_own else "trim"
        left_vu = step.target_vu + act.as_left.level_db
        meanwhile = self._by_hand_since(place, act.started_s)
        if meanwhile is not None:
            if self._is_left_at(act, meanwhile):
                return None
            # It was put back to where it was before the act, which is not what this trim begins at.
            found, kind = meanwhile, "trim"
        unlogged = self._progress.unlogged(step, self._bank.tracks[place])
        if unlogged is not None:
            found, kind = Found(unlogged.level_vu, act.started_s), "trim"
        settled_s = act.ended_s if math.isnan(act.settled_s) else act.settled_s
        return self._trim(kind, place, found, Left.of(act.as_left, left_vu), settled_s, now)

    def way(self, act: TrimFound, trim: Trim) -> tuple[tuple[float, float], ...]:
        """Return the way between, as deviations from the target of the trim."""
        by_db = self.step.target_vu - trim.target_vu
        return tuple((at_s, level_db + by_db) for at_s, level_db in act.way)

    def trim_by_hand(self, track: int, tracks: TrackLevels, now: Moment) -> Trim | str:
        """Return a track as it stands: from what it was found at to now; or why that cannot be said."""
        step = self.step
        place = self._bank.tracks.index(track)
        if math.isnan(tracks.tone_vu[place]):
            return f"track {track} carries no tone"
        if not on_tone(step, tracks.tone_hz):
            return f"the tone is {tracks.tone_hz:.0f} Hz, but this step wants {step.tone_hz:g} Hz"
        if math.isnan(tracks.spread_db[place]) or place not in self._found:
            return f"track {track} has not been steady for a second yet"
        found = self._progress.unlogged(step, track) or self._last_logged(place) or self._found[place]
        left = Left(float(tracks.fine_vu[place]), float(tracks.spread_db[place]))
        return self._trim("by hand", place, found, left, now.position_s, now)

    def verified(self, levels: Sequence[Settled | None], now: Moment) -> tuple[Trim | Unverified, ...]:
        """Return a trim for each track that was right and never touched, and the others that lack something.

        Parameters
        ----------
        levels : sequence of Settled or None
            Of each track over its steady time; None when there was none.
        now : Moment
        """
        if self.step.adjustment == "bias":
            return ()
        verdicts = (self._verdict(place, level, now) for place, level in enumerate(levels))
        return tuple(verdict for verdict in verdicts if verdict is not None)

    def waits(self, place: int, *, settling: bool) -> bool:
        """Return whether a track that is right will be logged by itself: its trimmer was just left, or never touched.

        ``settling`` says that its trimmer was turned and has not settled yet.
        """
        unlogged = self._progress.unlogged(self.step, self._bank.tracks[place])
        return settling or (place not in self._touched and unlogged is None)

    def _verdict(self, place: int, level: Settled | None, now: Moment) -> Trim | Unverified | None:
        step, track = self.step, self._bank.tracks[place]
        steady = level if level is not None and level.seconds >= SHORTEST_S else None
        logged = self._logged.get(place)
        if logged:
            # What was seen before its last trim says nothing of what that has left.
            return self._drifted(track, steady) if steady is not None and steady.from_s > logged[-1].settled_s else None
        if place in self._touched:
            return None
        if not self._again and self._progress.is_complete(step, track):
            return self._drifted(track, steady)
        if not self._found:
            # Without a tone on any track there is nothing to say: the step was passed over.
            return None
        obstacle = self._obstacle(place, steady)
        if obstacle is not None or steady is None:
            return obstacle
        left_vu = step.target_vu + steady.level_db
        first = self._found[place]
        # What has changed too little to be seen as it did is not what it was found at.
        same = abs(left_vu - first.level_vu) <= SAME_DB + SAME_SPREADS * steady.spread_db
        found = Found(left_vu, steady.from_s) if same else first
        return self._trim("verified", place, found, Left.of(steady, left_vu), steady.to_s, now)

    def _obstacle(self, place: int, steady: Settled | None) -> Unverified | None:
        """Say why an untouched track cannot be verified; None when it can, which asks for a steady level."""
        step, first, track = self.step, self._found.get(place), self._bank.tracks[place]
        if self._progress.unlogged(step, track) is not None:
            return Unverified(track, TURNED)
        if first is None:
            return Unverified(track, SILENT)
        if steady is None:
            first_db = first.level_vu - step.target_vu
            return Unverified(track, UNSTEADY) if first_db >= -FAINT_DB else Unverified(track, UNSEEN, (first_db,))
        if abs(steady.level_db) > step.tolerance_db:
            return Unverified(track, UNSEEN, (steady.level_db,))
        changed_db = step.target_vu + steady.level_db - first.level_vu
        # A change makes the spread over all the time large, too.
        spread_db = min(steady.spread_db, self._found_spread_db[place])
        if abs(changed_db) > step.tolerance_db + SAME_SPREADS * spread_db:
            return Unverified(track, CHANGED, (changed_db,))
        return None

    def _drifted(self, track: int, steady: Settled | None) -> Unverified | None:
        """Say that a track is not as it was left, or not right any more, though nobody was seen to turn it."""
        standing = self._progress.standing(self.step, track)
        if steady is None or not standing:
            return None
        left, tolerance_db = standing[-1], self.step.tolerance_db
        changed = abs(steady.level_db - left.as_left_db) > tolerance_db + SAME_SPREADS * steady.spread_db
        if not changed and (abs(steady.level_db) <= tolerance_db or not left.within_tolerance):
            return None
        return Unverified(track, DRIFTED, (steady.level_db, left.as_left_db))

    def forget(self, trim: Trim) -> None:
        """Take note that a trim is not in the log, or withdrawn: the next one by hand begins where that one began."""
        for trims in self._logged.values():
            if trim in trims:
                trims.remove(trim)
                self._forgotten.append(trim)

    def remember(self, trim: Trim) -> None:
        """Take note that a trim that was forgotten stands in the log again."""
        for place, track in enumerate(self._bank.tracks):
            if track == trim.track and trim in self._forgotten:
                self._forgotten.remove(trim)
                self._logged.setdefault(place, []).append(trim)
                self._logged[place].sort(key=lambda one: one.settled_s)

    def _found_by(self, act: MoveStarted | TrimFound | TrimCut) -> Found:
        """Return what a track was found at by an act.

        Where next to nothing was seen before it, what the track was left at or read earlier in this visit counts.
        """
        level_vu = self.step.target_vu + act.as_found.level_db
        if math.isnan(level_vu) or act.as_found.seconds < LEAST_FOUND_S:
            earlier = self._last_logged(act.track) or self._found.get(act.track)
            if earlier is not None and (math.isnan(level_vu) or earlier.at_s < act.started_s):
                level_vu = earlier.level_vu
        return Found(level_vu, act.started_s)

    def _is_left_at(self, act: TrimFound, level: Found) -> bool:
        left_vu = self.step.target_vu + act.as_left.level_db
        return abs(left_vu - level.level_vu) <= max(SAME_DB, SAME_SPREADS * act.as_left.spread_db)

    def _last_logged(self, place: int) -> Found | None:
        trims = self._logged.get(place)
        return _left(trims[-1]) if trims else None

    def _by_hand_since(self, place: int, moment_s: float) -> Found | None:
        trims = [trim for trim in self._logged.get(place, ()) if trim.origin == "by hand" and trim.settled_s > moment_s]
        return _left(trims[-1]) if trims else None

    def _trim(self, kind: TrimKind, place: int, found: Found, left: Left, settled_s: float, now: Moment) -> Trim:
        step = self.step
        target_vu = step.target_vu
        if step.adjustment == "bias":
            target_vu = float(np.nanmax((self._peak_vu[place], found.level_vu, left.level_vu)))
        trim = Trim(
            machine=self._machine,
            track=self._bank.tracks[place],
            path=path_of(step.adjustment),
            adjustment=step.adjustment,
            tone_hz=step.tone_hz,
            speed_ips=step.speed_ips,
            target_vu=target_vu,
            as_found_db=found.level_vu - target_vu,
            as_left_db=left.level_vu - target_vu,
            spread_db=left.spread_db,
            tolerance_db=step.tolerance_db,
            started_s=found.at_s,
            settled_s=settled_s,
            started_ns=now.unix_ns(found),
            settled_ns=now.of_source_ns(settled_s),
            origin="by hand" if kind == "by hand" else "automatic",
            standard_error_db=left.standard_error_db,
            kind=kind,
        )
        self._logged.setdefault(place, []).append(trim)
        if self._is_displaced and kind != "verified":
            self._turned_displaced.add(trim.track)
        return trim


def turned_of(step: Step, track: int, found: Found, progress: Progress, now: Moment) -> Turned:
    """Take note that a trimmer was turned and is not logged; return what its track read before anything unlogged."""
    return _turned(step, track, progress.turned(step, track, found), now)


def _turned(step: Step, track: int, found: Found, now: Moment) -> Turned:
    return Turned(
        step.adjustment,
        step.tone_hz,
        step.speed_ips,
        step.target_vu,
        track,
        level_vu=found.level_vu,
        at_ns=now.unix_ns(found),
    )


def _left(trim: Trim) -> Found:
    return Found(trim.target_vu + trim.as_left_db, trim.settled_s)
