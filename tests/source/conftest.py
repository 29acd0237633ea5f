"""A JACK server for the tests of this folder, and assertions that explain themselves in the shared contract."""

from collections.abc import Iterator

import pytest

pytest.register_assert_rewrite("tests.source.contract")

from tests.system.jack import JackServer, ToneClient, found_by_this_process  # noqa: E402


@pytest.fixture
def jack() -> Iterator[JackServer]:
    """A running server that this process, and what it starts, finds. Its clients must not be killed."""
    with JackServer() as server, found_by_this_process(server):
        yield server


@pytest.fixture
def jack_for_kills() -> Iterator[JackServer]:
    """The same, for tests that kill its clients."""
    with JackServer(synchronous=False) as server, found_by_this_process(server):
        yield server


@pytest.fixture
def tones(jack: JackServer) -> Iterator[ToneClient]:
    """24 tones of 1 kHz at 24 levels, not yet wired to anything that records."""
    with ToneClient(jack, [-12.0 - 0.75 * channel for channel in range(24)]) as client:
        yield client
