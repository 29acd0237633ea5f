"""Who beyond this computer may command: senders that have shown the pairing code. Pure; time is an argument."""

import hmac
from collections import OrderedDict, deque
from typing import Final

from bridge.wire.udp import Sender, is_loopback

PAIRED: Final = 64
"""Most senders paired at one time; the one that was silent longest is forgotten."""

WRONG_CODES_A_HOST: Final = 5
WRONG_CODES: Final = 30
WINDOW_S: Final = 60.0
"""Wrong codes taken in a minute: five from a host, which is a person with cold fingers, and thirty from all hosts
together, which makes a million codes of six digits last three weeks however many senders are invented."""

HOSTS: Final = 64
"""Most hosts of which wrong codes are remembered; the bound on all of them does not forget."""


class Pairing:
    """The senders that may command, with the code that lets them. For one thread.

    Parameters
    ----------
    code : str
        The pairing code; empty when nobody beyond this computer may command.
    """

    def __init__(self, code: str) -> None:
        self._code = code.encode()
        self._paired: OrderedDict[Sender, None] = OrderedDict()
        self._wrong_s: deque[float] = deque(maxlen=WRONG_CODES)
        self._wrong_s_of: OrderedDict[str, deque[float]] = OrderedDict()
        self.wrong_codes = 0

    def refusal(self, sender: Sender) -> str | None:
        """Return why a sender may not command, or None when it may: it is of this computer, or paired."""
        if is_loopback(sender[0]):
            return None
        if sender in self._paired:
            self._paired.move_to_end(sender)
            return None
        if not self._code:
            return "commands from the network are off: set pairing_code under [osc] in the config"
        return "not paired: send /pair with the pairing code first"

    def pair(self, sender: Sender, code: str, now_s: float) -> str | None:
        """Let a sender command that shows the right code. Returns why not, or None."""
        if not self._code:
            return "pairing is off: set pairing_code under [osc] in the config"
        wrong_s_of = self._wrong_s_of.setdefault(sender[0], deque(maxlen=WRONG_CODES_A_HOST))
        self._wrong_s_of.move_to_end(sender[0])
        if len(self._wrong_s_of) > HOSTS:
            self._wrong_s_of.popitem(last=False)
        if any(len(times) == times.maxlen and now_s - times[0] < WINDOW_S for times in (self._wrong_s, wrong_s_of)):
            return "too many wrong pairing codes: wait a minute"
        if not hmac.compare_digest(self._code, code.encode()):
            self.wrong_codes += 1
            self._wrong_s.append(now_s)
            wrong_s_of.append(now_s)
            return "wrong pairing code"
        self._paired[sender] = None
        if len(self._paired) > PAIRED:
            self._paired.popitem(last=False)
        return None

    def forget(self, sender: Sender) -> None:
        """Let a sender command no more, because it is gone."""
        self._paired.pop(sender, None)
