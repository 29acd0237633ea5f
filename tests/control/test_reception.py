"""Packets from near and far, with time as a number and a list in place of the socket."""

import logging

import pytest

import bridge
from bridge.control.inbox import INBOX, CommandInbox
from bridge.control.pairing import Pairing
from bridge.control.reception import OscReception
from bridge.procedure.commands import LogNow, NextStep, Note
from bridge.wire.osc import Argument, Message, decode, encode_bundle, encode_message
from bridge.wire.subscribers import SUBSCRIBERS, Subscribers
from bridge.wire.udp import Address

NEAR, NEAR_TOO = ("127.0.0.1", 50_000), ("127.0.0.1", 50_001)
FAR, FAR_TOO = ("192.0.2.7", 50_000), ("192.0.2.7", 50_001)
CODE = "blue 42"


class Desk:
    """The reception with all that stands around it."""

    def __init__(self, code: str = CODE) -> None:
        self.inbox = CommandInbox()
        self.subscribers = Subscribers()
        self.pairing = Pairing(code)
        self.sent: list[tuple[Message, Address]] = []
        self.reception = OscReception(self.inbox, self.subscribers, self.pairing, self._send)
        self.now_s = 1000.0

    def _send(self, packet: bytes, address: Address) -> None:
        self.sent.append((decode(packet).messages[0], address))

    def get(self, sender: Address, address: str, tags: str = "", *arguments: Argument) -> list[tuple[str, ...]]:
        """Receive a message; return what the sender is answered."""
        return self.receive(encode_message(address, tags, arguments), sender)

    def receive(self, packet: bytes, sender: Address) -> list[tuple[str, ...]]:
        self.sent.clear()
        self.reception.receive(packet, sender, self.now_s)
        return self.answers(sender)

    def answers(self, sender: Address) -> list[tuple[str, ...]]:
        assert all(address == sender for _, address in self.sent)
        return [(message.address, *map(str, message.arguments)) for message, _ in self.sent]


def test_a_command_goes_into_the_inbox_and_is_answered_when_it_is_done() -> None:
    desk = Desk()
    assert desk.get(NEAR, "/do/log", "is", 3, "r1") == []
    [request] = desk.inbox.take()
    assert request.command == LogNow(3)
    assert request.sender == "osc 127.0.0.1:50000"
    request.answer(None)
    assert desk.answers(NEAR) == [("/done", "r1")]


def test_the_log_names_what_is_near_a_misspelt_command_too(caplog: pytest.LogCaptureFixture) -> None:
    desk = Desk()
    assert desk.get(NEAR, "/do/nxt") == [("/refused", "", "nothing is at /do/nxt; near it is /do/next")]
    assert [record.getMessage() for record in caplog.records] == [
        "refused a packet from 127.0.0.1:50000: nothing is at /do/nxt; near it is /do/next"
    ]


def test_a_command_that_cannot_be_done_is_answered_with_the_reason() -> None:
    desk = Desk()
    desk.get(NEAR, "/do/log", "is", 3, "r1")
    desk.inbox.take()[0].answer("the disk is full")
    assert desk.answers(NEAR) == [("/refused", "r1", "the disk is full")]
    # It was a good packet all the same.
    assert desk.reception.refused_packets == 0


def test_a_repeat_is_answered_again_and_done_once() -> None:
    desk = Desk()
    desk.get(NEAR, "/do/log", "is", 3, "r1")
    assert desk.get(NEAR, "/do/log", "is", 3, "r1") == []
    [request] = desk.inbox.take()
    request.answer(None)
    for _ in range(3):
        assert desk.get(NEAR, "/do/log", "is", 3, "r1") == [("/done", "r1")]
    desk.get(NEAR, "/do/log", "is", 3, "r2")
    desk.inbox.take()[0].answer("no such track")
    assert desk.get(NEAR, "/do/log", "is", 3, "r2") == [("/refused", "r2", "no such track")]
    assert desk.inbox.take() == []
    # Another sender has ids of its own, and without an id every one counts.
    desk.get(NEAR_TOO, "/do/log", "is", 3, "r1")
    desk.get(NEAR, "/do/log", "i", 3)
    desk.get(NEAR, "/do/log", "i", 3)
    assert len(desk.inbox.take()) == 3


def test_without_an_id_nothing_is_answered() -> None:
    desk = Desk()
    assert desk.get(NEAR, "/do/next") == []
    [request] = desk.inbox.take()
    request.answer(None)
    request.answer("at the last step")
    assert desk.sent == []
    assert desk.get(NEAR, "/do/step", "i", 0) == []
    assert desk.reception.refused_packets == 1


def test_a_full_inbox_refuses_and_a_retry_is_taken() -> None:
    desk = Desk()
    for number in range(INBOX):
        desk.get(NEAR, "/do/note", "s", f"note {number}")
    [(address, request_id, reason)] = desk.get(NEAR, "/do/next", "s", "r1")
    assert (address, request_id) == ("/refused", "r1")
    assert "send it again" in reason
    assert desk.reception.refused_packets == 1
    assert desk.inbox.take()[0].command == Note("note 0")
    assert desk.get(NEAR, "/do/next", "s", "r1") == []
    assert [request.command for request in desk.inbox.take()] == [NextStep()]


def test_a_bundle_is_taken_in_order_whatever_its_time() -> None:
    desk = Desk()
    late = encode_bundle(2**64 - 1, [encode_message("/do/next"), encode_message("/do/note", "s", ("x",))])
    assert desk.receive(late, NEAR) == []
    assert [request.command for request in desk.inbox.take()] == [NextStep(), Note("x")]


def test_the_good_messages_of_a_packet_are_taken() -> None:
    desk = Desk()
    elements = [
        encode_message("/do/next"),
        encode_message("/do/nowhere"),
        b"/do/back\0\0\0\0,Q\0\0",
        encode_message("/x"),
    ]
    desk.receive(encode_bundle(1, elements), NEAR)
    assert [request.command for request in desk.inbox.take()] == [NextStep()]
    assert desk.reception.refused_packets == 1


def test_refused_packets_are_counted_and_told_once_an_episode(caplog: pytest.LogCaptureFixture) -> None:
    desk = Desk()
    with caplog.at_level(logging.WARNING):
        for packet in (b"", b"junk", bytes(1473), b"/a\0\0", encode_message("/do/step")):
            desk.receive(packet, NEAR)
        assert [record.getMessage() for record in caplog.records] == [
            "refused a packet from 127.0.0.1:50000: string without end or too long"
        ]
        desk.now_s += 60
        desk.receive(b"junk", NEAR)
    assert len(caplog.records) == 2
    assert desk.reception.refused_packets == 6


def test_subscriptions() -> None:
    desk = Desk()
    assert desk.get(NEAR, "/subscribe", "is", 10, "r1") == [("/done", "r1")]
    assert desk.subscribers.active(desk.now_s + 9) == (NEAR,)
    assert desk.get(NEAR, "/unsubscribe", "s", "r2") == [("/done", "r2")]
    assert desk.subscribers.active(desk.now_s) == ()
    for port in range(SUBSCRIBERS):
        desk.get(("127.0.0.1", 40_000 + port), "/subscribe", "i", 10)
    [(address, _, reason)] = desk.get(NEAR, "/subscribe", "is", 10, "r3")
    assert address == "/refused"
    assert "subscribers already" in reason
    # A subscription that was refused can be had later under the same id.
    desk.now_s += 10
    assert desk.get(NEAR, "/subscribe", "is", 10, "r3") == [("/done", "r3")]


@pytest.mark.parametrize(
    "asked", [("/do/next", "s", "r1"), ("/subscribe", "is", 10, "r1"), ("/unsubscribe", "s", "r1")]
)
def test_from_beyond_this_computer_pairing_comes_first(asked: tuple[str, str, Argument]) -> None:
    desk = Desk()
    assert desk.get(FAR, *asked) == [("/refused", "r1", "not paired: send /pair with the pairing code first")]
    assert desk.inbox.take() == []
    assert desk.subscribers.active(desk.now_s) == ()
    assert desk.get(FAR, "/pair", "ss", CODE, "p1") == [("/done", "p1")]
    desk.get(FAR, *asked)
    assert len(desk.inbox.take()) + len(desk.subscribers.active(desk.now_s)) == (asked[0] != "/unsubscribe")
    # The port belongs to it: somebody else on that host is somebody else.
    assert desk.get(FAR_TOO, *asked)[0][0] == "/refused"


def test_a_packet_may_pair_and_command() -> None:
    desk = Desk()
    desk.receive(encode_bundle(1, [encode_message("/pair", "s", (CODE,)), encode_message("/do/next")]), FAR)
    assert [request.command for request in desk.inbox.take()] == [NextStep()]


def test_without_a_code_nobody_beyond_commands_and_it_says_what_to_set() -> None:
    desk = Desk("")
    assert "pairing_code under [osc]" in desk.get(FAR, "/do/next", "s", "r1")[0][2]
    assert "pairing_code under [osc]" in desk.get(FAR, "/pair", "ss", "x", "r2")[0][2]
    assert desk.inbox.take() == []
    desk.get(NEAR, "/do/next", "s", "r1")
    assert len(desk.inbox.take()) == 1


def test_wrong_codes_are_counted_and_soon_not_even_looked_at() -> None:
    desk = Desk()
    for _ in range(5):
        assert desk.get(FAR, "/pair", "ss", "guess", "p")[0][2] == "wrong pairing code"
        desk.now_s += 1
    assert "wait a minute" in desk.get(FAR, "/pair", "ss", CODE, "p")[0][2]
    # A port of its own does not help that host, and does not hurt another one.
    assert "wait a minute" in desk.get(FAR_TOO, "/pair", "ss", CODE, "p")[0][2]
    assert desk.get(("192.0.2.8", 1), "/pair", "ss", CODE, "p") == [("/done", "p")]
    assert desk.pairing.wrong_codes == 5
    desk.now_s += 60
    assert desk.get(FAR, "/pair", "ss", CODE, "p") == [("/done", "p")]


def test_many_hosts_together_guess_no_faster() -> None:
    desk = Desk()
    for host in range(200):
        desk.get((f"198.51.100.{host}", 1), "/pair", "s", "guess")
        desk.now_s += 0.1
    assert desk.pairing.wrong_codes == 30
    assert "wait a minute" in desk.get(FAR, "/pair", "ss", CODE, "p")[0][2]
    desk.now_s += 60
    assert desk.get(FAR, "/pair", "ss", CODE, "p") == [("/done", "p")]


def test_a_forged_sender_is_not_flooded_with_refusals() -> None:
    desk = Desk()
    for _ in range(1000):
        desk.reception.receive(encode_message("/do/next", "s", ("r",)), FAR, desk.now_s)
    assert len(desk.sent) == 10
    desk.now_s += 1
    assert len(desk.get(FAR, "/do/next", "s", "r")) == 1
    assert desk.reception.refused_packets == 1001


def test_two_that_refuse_each_other_soon_are_silent() -> None:
    one, other = Desk(), Desk()
    one.get(NEAR, "/do/step", "s", "r1")
    for _ in range(5):
        packets = [encode_message(*message) for message, _ in one.sent]
        one.sent.clear()
        one, other = other, one
        for packet in packets:
            one.reception.receive(packet, NEAR, 0.0)
    assert one.sent == other.sent == []


def test_an_unknown_command_is_told_what_is_near_also_without_an_id() -> None:
    desk = Desk()
    [(address, request_id, reason)] = desk.get(NEAR, "/do/nex")
    assert (address, request_id, reason) == ("/refused", "", "nothing is at /do/nex; near it is /do/next")
    # Whoever is not paired is told nothing unasked, and nobody is flooded.
    assert desk.get(FAR, "/do/nex") == []
    assert sum(len(desk.get(NEAR, "/do/nex")) for _ in range(1000)) == 9
    assert desk.get(NEAR, "/somewhere/else") == []


def test_a_button_does_it_once() -> None:
    desk = Desk()
    for value in (1.0, 0.0):
        desk.get(NEAR, "/do/next", "f", value)
    assert [request.command for request in desk.inbox.take()] == [NextStep()]
    assert desk.get(NEAR, "/do/next", "fs", 0.0, "r1") == [("/done", "r1")]
    assert desk.reception.refused_packets == 0


def test_the_version_is_told() -> None:
    desk = Desk()
    assert desk.get(NEAR, "/version", "s", "r1") == [("/version", bridge.__version__, "1"), ("/done", "r1")]
    # The answer is no question: two of these do not ask each other for ever.
    assert desk.get(NEAR, "/version", "si", "0.1.0", 1) == []
    assert desk.get(FAR, "/version") == []
