"""Tracks that nobody has touched and that were not verified: each with its reason in, one line for a person out."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from bridge.ranges import tracks_named
from bridge.units import signed

MOST_READ: Final = 6
"""So many readings are named; more tracks than this are counted."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a track is not verified.

    Parameters
    ----------
    of_one : str
        Behind the number of a single track; ``{}`` for each of what it reads.
    of_many : str
        In front of the numbers of several.
    each : str
        What each of several reads, behind its number; empty when that is no part of the reason.
    """

    of_one: str
    of_many: str
    each: str = ""


TURNED: Final = Reason("was turned and is not logged", "turned and not logged")
SILENT: Final = Reason("carries no tone", "without tone")
UNSTEADY: Final = Reason("was not steady for long enough", "not steady for long enough")
UNSEEN: Final = Reason("reads {} dB and was not seen to be turned", "not seen to be turned", "{} dB")
CHANGED: Final = Reason("has changed by {} dB unseen", "changed unseen", "by {} dB")
DRIFTED: Final = Reason("reads {} dB now and was left at {} dB", "not as it was left", "{} dB, left at {} dB")


@dataclass(frozen=True, slots=True)
class Unverified:
    """A track that nobody has touched and that was not verified; ``read_db`` is what its reason tells of it."""

    track: int
    reason: Reason
    read_db: tuple[float, ...] = ()


def why_unverified(unverified: Iterable[Unverified]) -> str:
    """Return each reason once, with the tracks that it holds for."""
    by_reason: dict[Reason, list[Unverified]] = {}
    for one in unverified:
        by_reason.setdefault(one.reason, []).append(one)
    return "; ".join(_said(reason, tracks) for reason, tracks in by_reason.items())


def _said(reason: Reason, tracks: list[Unverified]) -> str:
    if len(tracks) == 1:
        return f"track {tracks[0].track} {reason.of_one.format(*map(signed, tracks[0].read_db))}"
    if not reason.each:
        return f"{reason.of_many}: {tracks_named([one.track for one in tracks])}"
    named = [f"{one.track} {reason.each.format(*map(signed, one.read_db))}" for one in tracks[:MOST_READ]]
    more = [f"and {len(tracks) - MOST_READ} more"] if len(tracks) > MOST_READ else []
    return f"{reason.of_many}: tracks {'; '.join(named + more) if ',' in reason.each else ', '.join(named + more)}"
