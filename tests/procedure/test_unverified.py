"""Each reason is said once, with the tracks that it holds for."""

import pytest

from bridge.procedure.unverified import DRIFTED, MOST_READ, SILENT, UNSEEN, UNSTEADY, Reason, Unverified, why_unverified


@pytest.mark.parametrize(
    ("reason", "read_db", "said"),
    [
        (UNSTEADY, {1: (), 3: (), 4: (), 5: ()}, "not steady for long enough: tracks 1, 3-5"),
        (SILENT, {7: ()}, "track 7 carries no tone"),
        (UNSEEN, {3: (-0.8,)}, "track 3 reads −0.80 dB and was not seen to be turned"),
        (UNSEEN, {1: (0.34,), 3: (-1.16,)}, "not seen to be turned: tracks 1 +0.34 dB, 3 −1.16 dB"),
        (DRIFTED, {5: (0.3, 0.02)}, "track 5 reads +0.30 dB now and was left at +0.02 dB"),
        (
            DRIFTED,
            {5: (0.3, 0.02), 6: (0.4, 0.0)},
            "not as it was left: tracks 5 +0.30 dB, left at +0.02 dB; 6 +0.40 dB, left at +0.00 dB",
        ),
    ],
)
def test_one_reason(reason: Reason, read_db: dict[int, tuple[float, ...]], said: str) -> None:
    assert why_unverified(Unverified(track, reason, read) for track, read in read_db.items()) == said


def test_reasons_are_gathered_in_the_order_in_which_they_come() -> None:
    tracks = [Unverified(1, UNSTEADY), Unverified(2, SILENT), Unverified(3, UNSTEADY)]
    assert why_unverified(tracks) == "not steady for long enough: tracks 1, 3; track 2 carries no tone"
    assert why_unverified([]) == ""


def test_what_many_tracks_read_is_not_all_named() -> None:
    said = why_unverified(Unverified(track, UNSEEN, (0.5,)) for track in range(1, 25))
    assert said.count("+0.50 dB") == MOST_READ
    assert said.endswith("6 +0.50 dB, and 18 more")
