"""Subscriptions with time as a number."""

from bridge.wire.episodes import Episode
from bridge.wire.subscribers import SUBSCRIBERS, Subscribers

A, B = ("192.0.2.1", 9000), ("192.0.2.1", 9001)


def test_it_lasts_as_long_as_asked() -> None:
    subscribers = Subscribers()
    assert subscribers.subscribe(A, 10, 100.0) is None
    assert subscribers.active(109.9) == (A,)
    assert subscribers.active(110.0) == ()


def test_a_repeat_begins_anew() -> None:
    subscribers = Subscribers()
    subscribers.subscribe(A, 10, 100.0)
    subscribers.subscribe(A, 10, 105.0)
    assert subscribers.active(114.9) == (A,)
    subscribers.subscribe(A, 1, 114.9)
    assert subscribers.active(116.0) == ()


def test_the_port_belongs_to_the_sender() -> None:
    subscribers = Subscribers()
    subscribers.subscribe(A, 10, 100.0)
    subscribers.subscribe(B, 10, 100.0)
    subscribers.unsubscribe(A)
    subscribers.unsubscribe(A)
    assert subscribers.active(100.0) == (B,)


def test_there_is_room_for_so_many() -> None:
    subscribers = Subscribers()
    for port in range(SUBSCRIBERS):
        assert subscribers.subscribe(("192.0.2.1", port), 10 + port, 100.0) is None
    reason = subscribers.subscribe(("192.0.2.2", 1), 10, 100.0)
    assert reason is not None
    assert str(SUBSCRIBERS) in reason
    # Those who have a place keep it, and one that runs out is free.
    assert subscribers.subscribe(("192.0.2.1", 1), 60, 100.0) is None
    assert subscribers.subscribe(("192.0.2.2", 1), 10, 110.0) is None


def test_an_episode_is_told_once() -> None:
    episode = Episode()
    assert episode.happened(0.0)
    assert not any(episode.happened(now_s) for now_s in range(1, 60, 9))
    assert episode.happened(100.0)
