"""A library that is asked in a process of its own: whatever becomes of that process is one line."""

import pytest

from bridge.source import child
from bridge.source.devices import list_interfaces


def test_one_that_does_not_answer_in_time_is_given_up() -> None:
    with pytest.raises(TimeoutError, match=r"bridge.source.portaudio did not answer within 0.001 s"):
        child.ask("bridge.source.portaudio", 0.001)
    with pytest.raises(OSError, match=r"PortAudio did not list the audio interfaces within 0.001 s"):
        list_interfaces(0.001)


def test_one_that_dies_says_with_what_status() -> None:
    """A module that is not there ends an interpreter with status 1."""
    with pytest.raises(ChildProcessError, match="ended with status 1"):
        child.ask("bridge.source.nothing", 30.0)
