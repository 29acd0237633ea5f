"""Preparation: the order that protects the calibration tape, and cautions that say what their sources say."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.procedure.preparation import CAUTIONS, PREPARATION, Confirmation, outstanding, refusal

KEYS = [item.key for item in PREPARATION]
BEFORE = "before the first tone"


def caution(key):
    return next(caution for caution in CAUTIONS if caution.key == key)


def test_what_experience_demands_is_asked_in_order():
    # Handbook for Sound Engineers, ch. 28, pp. 1096-1097: clean, demagnetise, then thread; the rest is common practice.
    assert [item.key for item in outstanding((), BEFORE)] == [
        "monitors down",
        "heads cleaned",
        "heads demagnetised",
        "tracks safe",
        "tape threaded",
    ]
    assert [item.key for item in outstanding((), "after the last tone")] == ["tape stored"]


@pytest.mark.parametrize("missing", ["monitors down", "heads cleaned", "heads demagnetised", "tracks safe"])
def test_the_tape_is_not_threaded_before_everything_else_is_done(missing):
    confirmed = set(KEYS[:4]) - {missing}
    assert refusal("tape threaded", confirmed) == f"preparation: tape threaded must wait for {missing}"
    assert refusal("tape threaded", set(KEYS[:4])) == ""


def test_demagnetising_follows_cleaning():
    assert "must wait for heads cleaned" in refusal("heads demagnetised", ())


def test_an_unknown_item_names_the_known_ones():
    assert refusal("coffee made", ()) == f'preparation: "coffee made" must be one of {", ".join(KEYS)}'


@given(st.permutations(KEYS))
def test_in_whatever_order_people_try_the_tape_comes_after_the_safe_tracks(attempts):
    confirmations = []
    for attempt, item in enumerate(attempts * len(KEYS)):
        done = [confirmation.item for confirmation in confirmations]
        if item not in done and not refusal(item, done):
            confirmations.append(Confirmation(item, "someone", attempt))
    order = [confirmation.item for confirmation in confirmations]
    assert sorted(order) == sorted(KEYS)
    for item in PREPARATION:
        assert all(order.index(need) < order.index(item.key) for need in item.needs)
    assert outstanding(order, BEFORE) == ()


def test_what_an_item_names_exists():
    known_cautions = [caution.key for caution in CAUTIONS]
    assert len(set(KEYS)) == len(KEYS)
    assert len(set(known_cautions)) == len(known_cautions)
    for number, item in enumerate(PREPARATION):
        assert set(item.needs) <= set(KEYS[:number])
        assert set(item.cautions) <= set(known_cautions)
    assert {key for item in PREPARATION for key in item.cautions} == set(known_cautions)


def test_exposure_limits_are_niosh():
    # NIOSH recommended exposure limit: 480 minutes / 2^((L - 85) / 3).
    text = " ".join(caution("loud tones").lines)
    stated = {
        int(level): float(amount) * {"hours": 60, "minutes": 1}[unit]
        for level, amount, unit in re.findall(r"(\d+) dB\(A\) for (\d+) (hours|minutes)", text)
    } | {94: 60.0}
    assert "94 dB(A) for an hour" in text
    assert stated.keys() == {85, 94, 100}
    for level_dba, minutes in stated.items():
        assert minutes == pytest.approx(480 / 2 ** ((level_dba - 85) / 3))


def test_solvent_codes_are_those_of_isopropyl_alcohol():
    # GHS classification of CAS 67-63-0: Flam. Liq. 2 H225, Eye Irrit. 2 H319, STOT SE 3 H336, signal word Danger.
    text = " ".join(caution("solvent").lines)
    assert "67-63-0" in caution("solvent").title
    assert text.startswith("Danger.")
    for code in ("H225", "H319", "H336", "P210", "P261", "P305+P351+P338"):
        assert code in text


def test_every_caution_says_where_it_comes_from():
    assert all(caution.source and caution.lines for caution in CAUTIONS)
