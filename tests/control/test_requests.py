"""Request ids, and the inbox behind them."""

import threading

from bridge.control.inbox import INBOX, CommandInbox, Request
from bridge.control.requests import IDS, SENDERS, RequestMemory
from bridge.procedure.commands import GoToStep


def test_a_request_is_new_once() -> None:
    memory = RequestMemory()
    assert memory.begin("a", "1") == "new"
    assert memory.begin("a", "1") == "pending"
    memory.answered("a", "1", None)
    assert memory.begin("a", "1") == (None,)
    assert memory.begin("a", "2") == "new"
    memory.answered("a", "2", "disk full")
    assert memory.begin("a", "2") == ("disk full",)


def test_senders_have_ids_of_their_own() -> None:
    memory = RequestMemory()
    memory.begin("a", "1")
    assert memory.begin("b", "1") == "new"


def test_what_was_never_begun_can_be_asked_again() -> None:
    memory = RequestMemory()
    memory.begin("a", "1")
    memory.forget("a", "1")
    assert memory.begin("a", "1") == "new"


def test_the_oldest_are_forgotten() -> None:
    memory = RequestMemory()
    for number in range(IDS + 1):
        memory.begin("a", str(number))
        memory.answered("a", str(number), None)
    assert memory.begin("a", "1") == (None,)
    assert memory.begin("a", "0") == "new"


def test_the_sender_silent_longest_is_forgotten() -> None:
    memory = RequestMemory()
    for sender in range(SENDERS):
        memory.begin(sender, "1")
    memory.begin(0, "2")
    memory.begin("one more", "1")
    assert memory.begin(0, "1") == "pending"
    assert memory.begin(1, "1") == "new"


def request(number: int) -> Request:
    return Request(GoToStep(number), "test", lambda reason: None)


def test_the_inbox_keeps_order_and_its_bound() -> None:
    inbox = CommandInbox()
    assert all(inbox.put(request(number)) for number in range(INBOX))
    assert not inbox.put(request(INBOX))
    assert inbox.dropped == 1
    assert [taken.command for taken in inbox.take()] == [GoToStep(number) for number in range(INBOX)]
    assert inbox.take() == []
    assert inbox.put(request(1))


def test_several_threads_put_and_one_takes() -> None:
    inbox = CommandInbox()
    put: list[bool] = []
    threads = [
        threading.Thread(target=lambda: put.extend([inbox.put(request(1)) for _ in range(5000)])) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    taken = 0
    while any(thread.is_alive() for thread in threads):
        taken += len(inbox.take())
    taken += len(inbox.take())
    assert len(put) == 20_000
    assert taken == sum(put)
    assert inbox.dropped == 20_000 - taken
