"""The terminal that tests answer: a question that nobody expected is a failure, not a wait without end."""

import sys

import pytest

from tests.system.terminal import Pty

FAILED = pytest.fail.Exception


def test_a_question_that_is_not_awaited_is_shown_when_the_time_is_up() -> None:
    with Pty([sys.executable, "-c", "input('How many tracks? ')"]) as terminal:
        terminal.until("How many")
        terminal.patience_s = 0.1
        with pytest.raises(FAILED, match=r"did not come within 0\.1 s; what was read last: 'How many tracks"):
            terminal.until("Operating level")


def test_a_program_that_talks_on_is_given_no_longer() -> None:
    talks = "while True: print('levels', flush=True)"
    with (
        Pty([sys.executable, "-c", talks], patience_s=1.0) as terminal,
        pytest.raises(FAILED, match="did not come within"),
    ):
        terminal.until("Operating level")


def test_a_program_that_ends_is_said() -> None:
    with (
        Pty([sys.executable, "-c", "print('Stopped')"]) as terminal,
        pytest.raises(
            FAILED, match="'Operating level' did not come before the program ended; what was read last: 'Stopped"
        ),
    ):
        terminal.until("Operating level")
