"""Feedback: what was sent in, what arrives in; whether it is our own message that came back, out.

A wire from an output back to an input, a controller that repeats what it is told, or a program that passes everything
on would make commands of our own lamps. Time is an argument; safe between threads.
"""

import threading
from collections import deque
from typing import Final

ECHO_S: Final = 0.5
"""For how long a message may be under way: a computer or two pass it on in 10 ms each, a slow program in 100 ms."""

LOOP_ECHOES: Final = 16
LOOP_S: Final = 2.0
"""So many echoes in so long are no coincidence: a person who hits the pad that was just lit, with the very velocity
that lit it, makes one."""

MUTED_S: Final = 30.0
"""After this time a muted output is tried again: the wire may have been taken out."""

REMEMBERED: Final = 4096
"""Most messages that can be under way: what one wire carries in `ECHO_S` is 520."""


class EchoWatch:
    """Remembers what was sent, and mutes an output whose messages keep coming back."""

    def __init__(self) -> None:
        self._sent: deque[tuple[float, int, bytes]] = deque(maxlen=REMEMBERED)
        self._echoes_s: dict[int, deque[float]] = {}
        self._muted_until_s: dict[int, float] = {}
        self._lock = threading.Lock()
        self.echoes = 0
        """Messages of our own that came back."""

    def sent(self, output: int, message: bytes, now_s: float) -> None:
        """Take note of a message that goes out; call it before it does."""
        with self._lock:
            while self._sent and now_s - self._sent[0][0] > ECHO_S:
                self._sent.popleft()
            self._sent.append((now_s, output, message))

    def echo(self, message: bytes, now_s: float) -> int | None:
        """Return the output that a message comes from, None when it is not one of ours. Each comes back once."""
        with self._lock:
            for index, (sent_s, output, known) in enumerate(self._sent):
                if now_s - sent_s <= ECHO_S and known == message:
                    del self._sent[index]
                    self.echoes += 1
                    self._count(output, now_s)
                    return output
        return None

    def _count(self, output: int, now_s: float) -> None:
        echoes_s = self._echoes_s.setdefault(output, deque(maxlen=LOOP_ECHOES))
        echoes_s.append(now_s)
        if len(echoes_s) == LOOP_ECHOES and now_s - echoes_s[0] <= LOOP_S:
            self._muted_until_s[output] = now_s + MUTED_S
            echoes_s.clear()

    def muted(self, output: int, now_s: float) -> bool:
        """Return whether nothing may be sent to an output."""
        with self._lock:
            return now_s < self._muted_until_s.get(output, float("-inf"))

    def opened(self, output: int) -> None:
        """Take note of an output that was opened again: it may be another one."""
        with self._lock:
            self._muted_until_s.pop(output, None)
            self._echoes_s.pop(output, None)
