"""Acts of turning trimmers: what is said of them, and what is known of one that is not finished."""

import math
from dataclasses import dataclass

from bridge.procedure.settling import Settled


@dataclass(frozen=True, slots=True)
class MoveStarted:
    """A hand has begun to turn the trimmer of a track (0…); told when it is seen."""

    track: int
    as_found: Settled
    started_s: float
    told_s: float


@dataclass(frozen=True, slots=True)
class MoveDropped:
    """What looked like a movement was none: a dropout, or wander."""

    track: int
    started_s: float
    told_s: float


@dataclass(frozen=True, slots=True)
class TrimSettled:
    """The hand has left a trimmer; what it left is being averaged."""

    track: int
    settled_s: float
    told_s: float


@dataclass(frozen=True, slots=True)
class TrimFound:
    """One act of turning one trimmer, finished.

    Parameters
    ----------
    track : int
        0…
    as_found, as_left : Settled
        Before the first movement and after the last.
    started_s, ended_s : float
        When the hand began to turn and when it left.
    settled_s : float
        When the level was known to have settled; NaN when the tone ended first.
    way : tuple of (float, float)
        The way between: (seconds, dB), 10 a second, fewer of a long one.
    undone : bool
        Whether the trimmer was put back to where it was.
    """

    track: int
    as_found: Settled
    as_left: Settled
    started_s: float
    ended_s: float
    settled_s: float
    way: tuple[tuple[float, float], ...]
    undone: bool


@dataclass(frozen=True, slots=True)
class TrimCut:
    """A trimmer was being turned when the tone ended for good: how it was left is not known."""

    track: int
    as_found: Settled
    started_s: float


@dataclass(frozen=True, slots=True)
class LevelMoved:
    """All tracks together have moved: the playback level, not a trimmer."""

    told_s: float
    by_db: float


@dataclass(frozen=True, slots=True)
class Switched:
    """All tracks have jumped at once, each by its own amount: a switch, not trimmers. All before compares with nothing.

    ``before`` is the level of each track over its steady time up to then; None where there was none.
    """

    told_s: float
    before: tuple[Settled | None, ...]


Event = MoveStarted | MoveDropped | TrimSettled | TrimFound | TrimCut | LevelMoved | Switched


@dataclass(slots=True)
class Act:
    """One act in progress; numbers are blocks.

    Parameters
    ----------
    track : int
    onset : int
        When the movement began.
    found_from, found_to : int
        What was found is the mean over these blocks.
    as_found : Settled
    found_own_db : float
        The same against what is common to all tracks.
    since : int
        From when on the track had the level that was found.
    end, left_from : int
        When the hand left, and from when on what it left is averaged; -1 while it has not.
    peak : float
        The largest departure so far, in deviations of wander.
    told : bool
        Whether the person has been told of the movement.
    shown : bool
        Whether the hand is taken to be on the trimmer now: it may be back without being sure enough to be shown.
    in_hindsight : bool
        Whether it was too small to be seen while it was made.
    """

    track: int
    onset: int
    found_from: int
    found_to: int
    as_found: Settled
    found_own_db: float
    since: int
    end: int = -1
    left_from: int = -1
    peak: float = 0.0
    told: bool = False
    shown: bool = False
    in_hindsight: bool = False
    settled_s: float = math.nan
