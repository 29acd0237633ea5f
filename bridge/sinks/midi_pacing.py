"""What one MIDI output is sent, no faster than its wire carries it: wanted values in, messages that are due out.

A value that was overtaken by a newer one is never sent, and one that stands there already is not sent again. Who is in
focus goes first, then who has waited longest. Time is an argument.
"""

from collections import deque
from collections.abc import Collection, Mapping
from typing import Final

from bridge.config.midi_settings import WIRE_BYTES_PER_S

BURST_S: Final = 0.02
"""How much may be sent at one time: what a wire carries in this time waits in the interface, and is the delay of the
newest value. Fewer would not hold the longest message of `LONGEST_BYTES` at the slowest rate."""

LONGEST_BYTES: Final = 13
"""A locate; everything else has 3 to 6 bytes."""

WAITING: Final = 16
"""Most commands that wait: a person sends one at a time."""

Value = tuple[bytes, ...]
"""The messages that set one lamp or ring: one, or the upper and the lower half of a 14-bit controller."""


class Pacer:
    """The schedule of one output. For one thread.

    Parameters
    ----------
    bytes_per_s : float
        How much is sent at most over any time longer than `BURST_S`.
    """

    def __init__(self, bytes_per_s: float = 0.8 * WIRE_BYTES_PER_S) -> None:
        self._bytes_per_s = bytes_per_s
        self._most_bytes = max(BURST_S * bytes_per_s, LONGEST_BYTES)
        self._budget = 0.0
        self._filled_s: float | None = None
        self._wanted: dict[object, Value] = {}
        self._first: Collection[object] = ()
        self._standing: dict[object, Value] = {}
        self._sent_s: dict[object, float] = {}
        self._commands: deque[bytes] = deque()
        self._due_commands = 0  # at the front of what was due last
        self.dropped_commands = 0
        """Commands that were never sent: too many waited, their time was over, or the port was gone."""

    def want(self, values: Mapping[object, Value], first: Collection[object] = ()) -> None:
        """Say what shall stand there, and what of it goes first."""
        self._wanted = dict(values)
        self._first = first

    def command(self, message: bytes) -> None:
        """Send a message once, before all values; the oldest of too many that wait is never sent."""
        if len(self._commands) == WAITING:
            self._commands.popleft()
            self.dropped_commands += 1
        self._commands.append(message)

    def drop_commands(self) -> None:
        """Send no command that still waits: its time is over."""
        self.dropped_commands += len(self._commands)
        self._commands.clear()

    def forget(self) -> None:
        """Take it that nothing stands there: the port was opened again. Commands of before are not sent any more."""
        self._standing.clear()
        self._sent_s.clear()
        self.drop_commands()

    def failed(self, sent: int) -> None:
        """Take it that only the first ``sent`` messages of what was due last went out, and that the port is gone."""
        self.dropped_commands += max(self._due_commands - sent, 0)
        self._due_commands = 0
        self.forget()

    def due(self, now_s: float) -> list[bytes]:
        """Return what is to be sent now, commands first; it counts as sent unless it is said to have `failed`."""
        passed_s = now_s - (now_s if self._filled_s is None else self._filled_s)
        self._filled_s = now_s
        self._budget = min(self._budget + passed_s * self._bytes_per_s, self._most_bytes)
        out: list[bytes] = []
        while self._commands and len(self._commands[0]) <= self._budget:
            out.append(self._commands.popleft())
            self._budget -= len(out[-1])
        self._due_commands = len(out)
        if self._commands:
            return out
        for key in self._order():
            messages = self._changed(key)
            size = sum(map(len, messages))
            if size > self._budget:
                break
            self._budget -= size
            self._standing[key] = self._wanted[key]
            self._sent_s[key] = now_s
            out += messages
        return out

    def wait_s(self) -> float | None:
        """Return for how long nothing can be sent although something waits; None when nothing waits."""
        if self._commands:
            needed = len(self._commands[0])
        else:
            order = self._order()
            if not order:
                return None
            needed = sum(map(len, self._changed(order[0])))
        return max(needed - self._budget, 0.0) / self._bytes_per_s

    def _order(self) -> list[object]:
        waiting = [key for key, value in self._wanted.items() if self._standing.get(key) != value]
        return sorted(waiting, key=lambda key: (key not in self._first, self._sent_s.get(key, float("-inf"))))

    def _changed(self, key: object) -> Value:
        """Return the messages of a value that are needed; the upper half that stands needs not be repeated."""
        wanted, standing = self._wanted[key], self._standing.get(key)
        if standing is not None and len(wanted) > 1 and wanted[:-1] == standing[:-1]:
            return wanted[-1:]
        return wanted
