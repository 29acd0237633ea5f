"""A stream that may not take what is written to it: lines in, from any thread, and nobody waits for them to get out.

A terminal stands still after Ctrl-S, a pipe when its reader does not read, and either may be gone. Metering shall
neither wait for that nor fail by it.
"""

import os
import threading
from collections import deque
from typing import Final, TextIO

LINES: Final = 1000
"""Lines that may wait; a calibration writes one or two a second at most."""

CLOSING_S: Final = 0.3
"""How long a reader that stands still is waited for at the end."""


class Outlet:
    """Writes lines in a thread of its own; what a reader never takes is left out, and it is told how much that was."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._lines: deque[str] = deque()
        self._left_out = 0
        self._closing = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="outlet", daemon=True)
        self._thread.start()

    def say(self, text: str) -> None:
        """Hand over a line. Never waits, never raises."""
        with self._changed:
            if len(self._lines) < LINES:
                self._lines.append(text)
            else:
                self._left_out += 1
            self._changed.notify()

    def close(self) -> bool:
        """Write what waits. Return whether that could be done: False when the reader stands still."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(CLOSING_S)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while text := self._next():
            write(self._stream, text)

    def _next(self) -> str:
        with self._changed:
            self._changed.wait_for(lambda: self._lines or self._closing)
            if not self._lines:
                return ""
            text = self._lines.popleft() + "\n"
            if self._left_out and not self._lines:
                text += f"{self._left_out} lines were left out here: nobody read them in time\n"
                self._left_out = 0
            return text


def write(stream: TextIO, text: str) -> bool:
    """Write at once. Return False when that cannot be; the stream swallows everything from then on."""
    try:
        stream.write(text)
        stream.flush()
    except OSError:
        # Python itself writes what is left in the stream at the end, and complains.
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
        return False
    return True
