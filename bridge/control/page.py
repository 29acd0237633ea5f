"""Commands from the page: OSC packets of its visitors in; commands into the inbox, answers out. And who may command.

A visitor from this computer may command. One from the network may watch, and may command once it has shown the pairing
code: it is given a token for it, which its browser keeps in a cookie that no script can read.
"""

import logging
import secrets
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Final

from bridge.control import osc
from bridge.control.desk import Desk
from bridge.control.inbox import CommandInbox
from bridge.control.paired import PairedScreen, PairedScreens
from bridge.control.pairing import Pairing
from bridge.wire.addresses import DONE, REFUSED
from bridge.wire.episodes import Episode
from bridge.wire.osc import OscError, decode
from bridge.wire.udp import RECEIVE_BYTES, is_loopback

CODE_DIGITS: Final = 6
"""Of a code that is made here: few enough to type with a cold finger; how often one may guess is bounded."""

COMMANDS_PER_S: Final = 10.0
COMMANDS_AT_ONCE: Final = 30.0
"""A hand on a practice trimmer sends some ten turns a second; nobody presses buttons faster."""

WATCH_ONLY: Final = "this link only watches"
NOT_PAIRED: Final = "this screen is not paired: it only watches"
TOO_FAST: Final = "too many commands at once: slow down"

_log = logging.getLogger(__name__)


def new_code() -> str:
    """Return a pairing code that nobody can guess."""
    return f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"


@dataclass(slots=True)
class Visitor:
    """One open page.

    Parameters
    ----------
    host : str
        Numeric address it comes from.
    page_id : str
        What the page calls itself; the same after a reconnection, so that nothing is done twice.
    token : str
        From its cookie; empty when it has none.
    watches_only : bool
        Whether it came by a link that only watches.
    send : callable
        Sends it a packet; from any thread, without waiting and without raising.
    """

    host: str
    page_id: str
    token: str
    watches_only: bool
    send: Callable[[bytes], object]
    _allowance: float = field(default=COMMANDS_AT_ONCE, init=False)
    _counted_s: float | None = field(default=None, init=False)

    def is_within_rate(self, now_s: float) -> bool:
        """Count a packet; whether it is within what a hand can do."""
        if self._counted_s is not None:
            gained = (now_s - self._counted_s) * COMMANDS_PER_S
            self._allowance = min(COMMANDS_AT_ONCE, self._allowance + gained)
        self._counted_s = now_s
        if self._allowance < 1.0:
            return False
        self._allowance -= 1.0
        return True


class PageControl:
    """Takes packets from pages. For one thread; requests may be answered from any.

    Parameters
    ----------
    inbox : CommandInbox
        Where commands go.
    code : str
        The pairing code; empty when nobody beyond this computer may command.
    paired : iterable of PairedScreen
        The screens that were paired before.
    keep : callable, optional
        Keeps the paired screens for the next start; called when they have changed, and does not wait.
    """

    def __init__(
        self,
        inbox: CommandInbox,
        code: str,
        paired: Iterable[PairedScreen] = (),
        keep: Callable[[Sequence[PairedScreen]], object] | None = None,
    ) -> None:
        self._desk = Desk(inbox)
        self._pairing = Pairing(code)
        self._paired = PairedScreens(paired)
        self._keep = keep
        self._refusing = Episode()
        self._refused_packets = 0

    @property
    def refused_packets(self) -> int:
        """Packets that were refused, in whole or in part, and wrong codes."""
        return self._refused_packets + self._pairing.wrong_codes

    def pair(self, host: str, what: str, code: str, now_s: float) -> tuple[str, str]:
        """Let a visitor command that shows the right code. Returns a token, or "" and why not.

        Parameters
        ----------
        host : str
            Numeric address it comes from.
        what : str
            What its browser calls itself.
        code : str
        now_s : float
            Monotonic time.
        """
        refused = self._pairing.pair((host, 0), code, now_s)
        if refused is not None:
            return "", refused
        token = self._paired.pair(host, what, time.time())
        self._keep_paired()
        return token, ""

    def see(self, token: str) -> bool:
        """Note that a visitor came; whether it is paired, and its token lives on."""
        if not self._paired.is_paired(token, time.time()):
            return False
        if self._paired.see(token, time.time()):
            self._keep_paired()
        return True

    def screens(self) -> list[dict[str, object]]:
        """Return the paired screens, for a person; nothing of it lets anybody command."""
        return [
            {"id": one.id, "host": one.host, "what": one.what, "paired_s": one.paired_s, "seen_s": one.seen_s}
            for one in self._paired.screens(time.time())
        ]

    def forget(self, screen_id: str) -> bool:
        """Let a screen command no more, or any when the id is empty; whether there was one."""
        is_changed = self._paired.forget(screen_id)
        if is_changed:
            self._keep_paired()
        return is_changed

    def _keep_paired(self) -> None:
        if self._keep is not None:
            self._keep(self._paired.to_keep(time.time()))

    def refusal(self, host: str, token: str, *, watches_only: bool) -> str | None:
        """Return why a visitor may not command, or None when it may."""
        if watches_only:
            return WATCH_ONLY
        if is_loopback(host) or self._paired.is_paired(token, time.time()):
            return None
        return NOT_PAIRED

    def visit(
        self, host: str, page_id: str, token: str, *, watches_only: bool, send: Callable[[bytes], object]
    ) -> Callable[[bytes, float], bool]:
        """Return what takes the packets of a new visitor, as `receive` does; see `Visitor`."""
        return partial(self.receive, Visitor(host, page_id, token, watches_only, send))

    def receive(self, visitor: Visitor, packet: bytes, now_s: float) -> bool:
        """Deal with one packet; ``now_s`` is monotonic. Returns whether it was all taken."""
        try:
            decoded = decode(packet, RECEIVE_BYTES)
        except OscError as error:
            self._count_refused(str(error), visitor, now_s)
            return False
        reasons = list(decoded.refused)
        for message in decoded.messages:
            asked = osc.read(message)
            refused = asked.reason if isinstance(asked, osc.Refused) else self._admit(asked, visitor, now_s)
            if refused is not None:
                reasons.append(refused)
                if asked.request_id:
                    visitor.send(REFUSED.encode(asked.request_id, refused))
        if reasons:
            self._count_refused(reasons[0], visitor, now_s)
        return not reasons

    def _admit(self, asked: osc.Asked, visitor: Visitor, now_s: float) -> str | None:
        refused = self.refusal(visitor.host, visitor.token, watches_only=visitor.watches_only)
        if refused is not None:
            return refused
        if not visitor.is_within_rate(now_s):
            return TOO_FAST
        wish = asked.wish
        if isinstance(wish, osc.LetGo):
            _answer(visitor, asked.request_id, None)
            return None
        if isinstance(wish, osc.SessionWish):
            return "the page is sent every frame anyway, and pairs in another way"
        answer = partial(_answer, visitor, asked.request_id)
        sender = ("page", visitor.host, visitor.page_id)
        return self._desk.hand_in(wish, asked.request_id, sender, f"page {visitor.host}", answer)

    def _count_refused(self, reason: str, visitor: Visitor, now_s: float) -> None:
        self._refused_packets += 1
        if self._refusing.happened(now_s):
            _log.warning("refused a packet from the page at %s: %s", visitor.host, reason)


def _answer(visitor: Visitor, request_id: str, refused_reason: str | None) -> None:
    if refused_reason is None:
        visitor.send(DONE.encode(request_id))
    else:
        visitor.send(REFUSED.encode(request_id, refused_reason))
