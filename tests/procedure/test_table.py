"""The table of states and events is complete, and holding means what it says."""

from typing import get_args

import pytest

from bridge.procedure.table import TABLE, Duty, Event, State

UNASKED = ("log act", "verify")
"""What writes into the log without being asked."""


@pytest.mark.parametrize("state", get_args(State))
@pytest.mark.parametrize("event", get_args(Event))
def test_every_event_has_a_row_in_every_state(state: State, event: Event) -> None:
    row = TABLE[state][event]
    assert row.then in get_args(State)
    assert set(row.duties) <= set(get_args(Duty))


def test_every_duty_is_somebodys() -> None:
    assert {duty for rows in TABLE.values() for row in rows.values() for duty in row.duties} == set(get_args(Duty))


def test_while_held_nothing_is_logged_and_nothing_moves_unasked() -> None:
    for event, row in TABLE["held"].items():
        assert not set(row.duties) & set(UNASKED), event
    assert TABLE["held"]["tape leads on"].duties == ()


def test_only_hold_and_release_change_the_state() -> None:
    changing = {(state, event) for state, rows in TABLE.items() for event, row in rows.items() if row.then != state}
    assert changing == {("automatic", "hold asked"), ("held", "release asked")}


@pytest.mark.parametrize("state", get_args(State))
def test_whether_the_tape_is_followed_changes_nothing_else(state: State) -> None:
    assert TABLE[state]["follow asked"].duties == ("follow",)
    assert TABLE[state]["stay asked"].duties == ("stay",)


@pytest.mark.parametrize("state", get_args(State))
def test_whoever_leaves_a_step_or_bank_closes_its_acts_first(state: State) -> None:
    for event, row in TABLE[state].items():
        if {"begin", "begin anew", "patch", "finish"} & set(row.duties):
            assert row.duties[0] == "close acts", event
            assert ("verify" in row.duties) == (state == "automatic"), event


@pytest.mark.parametrize("state", get_args(State))
def test_every_act_is_logged_or_kept_open(state: State) -> None:
    assert TABLE[state]["act seen"].duties == (("log act",) if state == "automatic" else ("keep act open",))
    assert TABLE[state]["act cut"].duties == ("keep act open",)
