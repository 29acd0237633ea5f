"""Contacts and encoders. That contacts bounce for 1 to 20 ms is common practice, no source."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.control.midi_switches import Contact, Turning, clicks

BOUNCE_S = st.lists(st.floats(0.0001, 0.008), max_size=6)


def bouncing(at_s: float, closed: bool, pauses_s: list[float]) -> list[tuple[float, bool]]:
    """What a contact says that goes to a position at ``at_s`` and bounces: it ends where it was going."""
    events, position = [(at_s, closed)], closed
    for pause_s in pauses_s if len(pauses_s) % 2 == 0 else pauses_s[:-1]:
        at_s += pause_s
        position = not position
        events.append((at_s, position))
    return events


@given(presses=st.lists(st.tuples(BOUNCE_S, BOUNCE_S), min_size=1, max_size=10), latching=st.booleans())
def test_each_press_acts_once_however_it_bounces(
    presses: list[tuple[list[float], list[float]]], latching: bool
) -> None:
    contact = Contact(latching, 0.05)
    acts, now_s = [], 10.0
    for closing, opening in presses:
        for closed, pauses_s in ((True, closing), (False, opening)):
            acts += [(closed, now_s) for at_s, said in bouncing(now_s, closed, pauses_s) if contact.moved(said, at_s)]
            now_s += 0.15
    if latching:
        assert [closed for closed, _ in acts] == [True, False] * len(presses)
    else:
        assert [closed for closed, _ in acts] == [True] * len(presses)


def test_a_momentary_switch_that_was_held_at_the_start_does_not_act_when_let_go() -> None:
    contact = Contact(latching=False, debounce_s=0.05)
    assert not contact.moved(False, 1.0)
    assert contact.moved(True, 2.0)
    assert not contact.moved(True, 3.0)  # a controller that repeats itself presses nothing


def test_a_latching_switch_acts_on_its_first_word() -> None:
    assert Contact(latching=True, debounce_s=0.05).moved(False, 1.0)


@pytest.mark.parametrize(
    ("encoder", "codes"),
    [
        # Seven-bit representations of signed numbers: two's complement, excess-64, sign and magnitude.
        ("two's complement", {0: 0, 1: 1, 2: 2, 63: 63, 127: -1, 126: -2, 64: -64}),
        ("offset 64", {64: 0, 65: 1, 66: 2, 127: 63, 63: -1, 62: -2, 0: -64}),
        ("sign and size", {0: 0, 1: 1, 2: 2, 63: 63, 65: -1, 66: -2, 127: -63, 64: 0}),
    ],
)
def test_codes_of_encoders(encoder: str, codes: dict[int, int]) -> None:
    assert {value: clicks(encoder, value) for value in codes} == codes  # type: ignore[arg-type]


def test_a_turn_walks_through_what_is_there_and_stays_at_the_ends() -> None:
    turning = Turning()
    tracks = (9, 10, 11, 12)
    assert turning.turned(1, tracks, 0, 10.0) == 9
    assert turning.turned(1, tracks, 0, 10.1) == 10  # what is shown lags behind the hand
    assert turning.turned(5, tracks, 9, 10.2) == 12
    assert turning.turned(1, tracks, 12, 10.3) is None
    assert turning.turned(-1, tracks, 12, 10.4) == 11
    assert turning.turned(1, tracks, 9, 99.0) == 10  # somebody else chose track 9 since
    assert turning.turned(1, (), 9, 99.1) is None
    assert turning.turned(0, tracks, 9, 99.2) is None
    assert Turning().turned(-1, tracks, 0, 1.0) == 12
