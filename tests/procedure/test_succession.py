"""Which track comes next: the first after the one in focus, going round, that lacks something and needs a hand."""

import pytest

from bridge.procedure.commands import Focus, Hold, Withdraw
from bridge.procedure.succession import next_track
from bridge.readings import Frame, Health
from tests.procedure.studio import Studio, setup

BANK = (1, 2, 3, 4)


@pytest.mark.parametrize(
    ("focus", "missing", "waiting", "comes"),
    [
        (0, {1, 2, 3, 4}, set(), 1),
        (2, {1, 2, 3, 4}, set(), 3),
        (4, {1, 2, 3, 4}, set(), 1),
        (2, {1, 4}, set(), 4),
        (2, {1}, set(), 1),
        # The hand is at the one in focus: it comes last.
        (2, {2}, set(), 2),
        (2, {1, 2}, set(), 1),
        # What only waits to be logged needs no hand.
        (2, {1, 3, 4}, {3}, 4),
        (2, {1, 3, 4}, {3, 4}, 1),
        (2, {3, 4}, {3, 4}, 0),
        (2, set(), set(), 0),
        # The focus may be in another bank.
        (9, {2, 3}, set(), 2),
    ],
)
def test_the_first_after_the_focus_that_needs_a_hand(
    focus: int, missing: set[int], waiting: set[int], comes: int
) -> None:
    assert next_track(BANK, focus, missing=missing, waiting=waiting) == comes


def test_an_undone_one_is_not_done() -> None:
    assert next_track(BANK, 2, missing={2, 3, 4}, undone={2}) == 2
    # It is right, but nobody would see that it was turned: a hand has to say so.
    assert next_track(BANK, 2, missing={2, 3, 4}, waiting={2, 3}, undone={2}) == 2
    assert next_track(BANK, 2, missing={2, 3, 4}, undone={2}, in_hand=True) == 3
    assert next_track(BANK, 3, missing={2, 4}, undone={2}) == 4
    assert next_track(BANK, 4, missing={2}, undone={2}) == 2


def told(studio: Studio) -> Frame:
    return studio.calibration.frame(Health(), 0)


def test_next_and_waiting_in_a_calibration() -> None:
    # 1 and 4 are right as they are, 2 and 3 are not.
    studio = Studio(setup())
    studio.deviation_db.update({2: -1.0, 3: 0.8})
    studio.play(None, 1.0)
    studio.play(studio.setup.steps[0], 6.0)
    frame = told(studio)
    assert set(frame.waiting_tracks) == set(frame.right_tracks) == {1, 4}
    assert frame.next_track == 2
    studio.trim(2)
    frame = told(studio)
    assert (frame.focus_track, frame.next_track) == (2, 3)
    # Undone, it is not done, and does not log itself: it stands as it was left.
    trim_id = studio.calibration.progress.newest
    studio.done(Withdraw(trim_id))
    studio.calibration.withdrawn(trim_id)
    frame = told(studio)
    assert 2 in frame.right_tracks
    assert 2 not in frame.waiting_tracks
    assert frame.next_track == 2
    studio.done(Focus(3))
    assert told(studio).next_track == 2
    # While held nothing logs itself, so nothing waits.
    studio.done(Hold(True))
    frame = told(studio)
    assert frame.waiting_tracks == ()
    assert frame.next_track == 4
