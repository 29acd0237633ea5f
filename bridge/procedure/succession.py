"""Which track comes next: where the hand is and what each track of the bank still lacks in, its number out.

Next is the first track after the one in focus, going round the bank, that has nothing in the log for this step and does
not just wait to be logged by itself. One whose trim was undone has nothing in the log; while the hand is not on it, it
comes before those after it. The track in focus itself comes last otherwise: the hand is there.
"""

from collections.abc import Collection, Sequence


def next_track(
    tracks: Sequence[int],
    focus: int,
    *,
    missing: Collection[int],
    waiting: Collection[int] = (),
    undone: Collection[int] = (),
    in_hand: bool = False,
) -> int:
    """Return the track that comes next, 0 when none does.

    Parameters
    ----------
    tracks : sequence of int
        Of the bank, in the order in which the hand goes along them.
    focus : int
        The track in focus; 0 when none is.
    missing : collection of int
        Those that have nothing in the log for this step, or were turned since.
    waiting : collection of int
        Those of them that will be logged by themselves as they stand.
    undone : collection of int
        Those of them whose trim was withdrawn.
    in_hand : bool
        Whether the trimmer in focus is being turned, or has not settled.
    """
    place = tracks.index(focus) if focus in tracks else -1
    first = place if focus in undone and not in_hand else place + 1
    turn = [*tracks[max(first, 0) :], *tracks[: max(first, 0)]]
    return next((track for track in turn if track in missing and (track in undone or track not in waiting)), 0)
