"""Where OSC packets are received: packets in; commands into the inbox, subscriptions to their list, answers out.

Whoever sent it, and whatever it is, a packet is dealt with in one bounded step and raises nothing.
"""

import logging
import threading
from collections import deque
from collections.abc import Callable
from functools import partial
from typing import Final

import bridge
from bridge.control import osc
from bridge.control.desk import Desk
from bridge.control.inbox import CommandInbox
from bridge.control.pairing import Pairing
from bridge.wire.addresses import ADDRESS_SPACE, DONE, REFUSED, VERSION
from bridge.wire.episodes import Episode
from bridge.wire.osc import OscError, decode
from bridge.wire.subscribers import Subscribers
from bridge.wire.udp import RECEIVE_BYTES, Address, Sender, StreamPeer, printable

UNASKED_ANSWERS_PER_S: Final = 10
"""Refusals a second to those not allowed to command, and of unknown commands without a request id. Enough for a person
who has forgotten to pair or mistyped; a sender that forges its address cannot use us to flood somebody else."""

log = logging.getLogger(__name__)


class OscReception:
    """Receives packets from any thread, one at a time; requests may be answered from any.

    Parameters
    ----------
    inbox : CommandInbox
        Where commands go.
    subscribers : Subscribers
        Where subscriptions go.
    pairing : Pairing
        Who may command.
    send : callable
        Sends a datagram to an address, without waiting and without raising, from any thread. Whoever is connected is
        answered by the connection.
    """

    def __init__(
        self,
        inbox: CommandInbox,
        subscribers: Subscribers,
        pairing: Pairing,
        send: Callable[[bytes, Address], object],
    ) -> None:
        self._desk = Desk(inbox)
        self._subscribers = subscribers
        self._pairing = pairing
        self._send_datagram = send
        self._unasked_answers_s: deque[float] = deque(maxlen=UNASKED_ANSWERS_PER_S)
        self._refusing = Episode()
        self._refused_packets = 0
        self._lock = threading.Lock()

    @property
    def refused_packets(self) -> int:
        """Packets that were refused, in whole or in part."""
        return self._refused_packets

    def receive(self, packet: bytes, sender: Sender, now_s: float) -> None:
        """Deal with one packet; ``now_s`` is monotonic."""
        with self._lock:
            self._receive(packet, sender, now_s)

    def closed(self, peer: StreamPeer) -> None:
        """Take note that a connection has ended."""
        with self._lock:
            self._subscribers.unsubscribe(peer)
            self._pairing.forget(peer)

    def _receive(self, packet: bytes, sender: Sender, now_s: float) -> None:
        try:
            decoded = decode(packet, RECEIVE_BYTES)
        except OscError as error:
            self._count_refused(osc.Refused(str(error)), sender, now_s)
            return
        refused = [osc.Refused(reason) for reason in decoded.refused]
        for message in decoded.messages:
            asked = osc.read(message)
            if isinstance(asked, osc.Asked):
                reason = self._admit(asked, sender, now_s)
                if reason is None:
                    continue
                asked = osc.Refused(reason, asked.request_id)
            refused.append(asked)
            self._refuse(asked, sender, now_s)
        if refused:
            self._count_refused(refused[0], sender, now_s)

    def _admit(self, asked: osc.Asked, sender: Sender, now_s: float) -> str | None:
        """Do what is asked, or hand it on. Returns why not, or None."""
        wish = asked.wish
        if not isinstance(wish, osc.Pair) and (refusal := self._pairing.refusal(sender)) is not None:
            return refusal
        if not isinstance(wish, osc.SessionWish | osc.LetGo):
            answer = partial(self._send_answer, sender, asked.request_id)
            return self._desk.hand_in(wish, asked.request_id, sender, f"osc {printable(sender)}", answer)
        reason = self._serve(wish, sender, now_s)
        if reason is None and asked.request_id:
            self._send(DONE.encode(asked.request_id), sender)
        return reason

    def _serve(self, wish: osc.SessionWish | osc.LetGo, sender: Sender, now_s: float) -> str | None:
        """Do what concerns the sender alone. Returns why not, or None."""
        if isinstance(wish, osc.Pair):
            return self._pairing.pair(sender, wish.code, now_s)
        if isinstance(wish, osc.Subscribe):
            return self._subscribers.subscribe(sender, wish.duration_s, now_s)
        if isinstance(wish, osc.Unsubscribe):
            self._subscribers.unsubscribe(sender)
        elif isinstance(wish, osc.AskVersion):
            self._send(VERSION.encode(bridge.__version__, ADDRESS_SPACE), sender)
        return None

    def _send(self, packet: bytes, to: Sender) -> None:
        if isinstance(to, StreamPeer):
            to.link.send(packet)
        else:
            self._send_datagram(packet, to)

    def _send_answer(self, sender: Sender, request_id: str, refused_reason: str | None) -> None:
        if refused_reason is None:
            self._send(DONE.encode(request_id), sender)
        else:
            self._send(REFUSED.encode(request_id, refused_reason), sender)

    def _refuse(self, refused: osc.Refused, sender: Sender, now_s: float) -> None:
        is_stranger = self._pairing.refusal(sender) is not None
        if not refused.request_id and (is_stranger or not refused.unknown):
            return
        if is_stranger or not refused.request_id:
            answers_s = self._unasked_answers_s
            if len(answers_s) == answers_s.maxlen and now_s - answers_s[0] < 1.0:
                return
            answers_s.append(now_s)
        self._send_answer(sender, refused.request_id, osc.advice(refused))

    def _count_refused(self, refused: osc.Refused, sender: Sender, now_s: float) -> None:
        self._refused_packets += 1
        if self._refusing.happened(now_s):
            log.warning("refused a packet from %s: %s", printable(sender), osc.advice(refused))
