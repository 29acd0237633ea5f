"""The child process that holds the MIDI ports: `bridge.wire.midi_ports` starts it, and it dies with its parent.

What enters on standard input: one line of JSON (`Wanted`), then a line for each message to send: the number of the
output and the bytes in hexadecimal. What leaves on standard output, a line each: ``m time name`` tabs ``hex`` for what
arrived, JSON for everything else, and at least one line every `BEAT_S`.

Why a process of its own: a MIDI library waits for its server while it holds the interpreter, spins when that server
hangs, and writes to the terminal. Why polling and not callbacks: a callback runs in the server's real-time thread and
would make it wait for the interpreter. The library's own queue of `QUEUE` messages bridges the pauses.
"""

import contextlib
import json
import os
import signal
import sys
import threading
import time
from dataclasses import dataclass
from typing import Any, Final

from bridge.source import child
from bridge.wire.midi_jack import JackGuard

CLIENT: Final = "trimbridge"
"""How patch bays show us; ports whose name begins so are our own and are not listened to."""

POLL_S: Final = 0.004
"""Between two looks at the inputs: a tenth of what a person takes for at once, half a quarter frame of time code."""

NAMES_S: Final = 0.2
"""Between two looks at the names of the ports: the only way to learn of one that came or went."""

RENEW_S: Final = 1.0
"""A system without ports is asked anew so often: its server may have been started since."""

BEAT_S: Final = 0.5
TURN: Final = 256
"""Most messages taken from a port at one look: a flood on one does not keep the others waiting."""

QUEUE: Final = 1024
_LEAVE_S: Final = 1.0
_LONGEST_LINE: Final = 4096
"""A pipe takes this much whole or not at all (POSIX PIPE_BUF on Linux; elsewhere our lines are shorter than 512)."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which ports are wanted, by parts of their names; an empty part of an input is any."""

    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    system: str = ""


def same_part(part: str, name: str) -> bool:
    """Return whether a port is meant by a part of its name; case does not matter."""
    return part.strip().casefold() in name.casefold()


class _Voice:
    """What is said to the parent. Never waits: what it does not read in time is counted and told later."""

    def __init__(self) -> None:
        self._out = sys.stdout.fileno()
        self._lock = threading.Lock()
        self._lost = 0
        with contextlib.suppress(OSError, AttributeError):
            os.set_blocking(self._out, False)

    def say(self, **event: Any) -> None:
        self._write(json.dumps(event).encode() + b"\n")

    def message(self, name: str, at_s: float, data: bytes) -> None:
        plain = "".join(char if char.isprintable() else "?" for char in name)
        self._write(f"m\t{at_s:.6f}\t{plain}\t{data.hex()}\n".encode(errors="replace"))

    def beat(self) -> None:
        with self._lock:
            lost, self._lost = self._lost, 0
        self.say(lost=lost)

    def _write(self, line: bytes) -> None:
        with self._lock:
            try:
                if len(line) <= _LONGEST_LINE:
                    os.write(self._out, line)
                    return
            except OSError:
                pass  # full, or the parent is gone, of which standard input tells
            self._lost += 1


class _Side:
    """The inputs or the outputs: opens what is wanted as it comes, closes what has gone."""

    def __init__(self, kind: str, rtmidi: Any, jack: JackGuard, wanted: Wanted, voice: _Voice) -> None:
        self.kind = kind
        self._jack = jack
        self._rtmidi = rtmidi
        self._make = rtmidi.MidiIn if kind == "input" else rtmidi.MidiOut
        self._parts = wanted.inputs if kind == "input" else wanted.outputs
        self._voice = voice
        system = wanted.system.casefold()
        self._apis = [
            api
            for api in rtmidi.get_compiled_api()
            if api != rtmidi.API_RTMIDI_DUMMY and system in rtmidi.get_api_display_name(api).casefold()
        ]
        self._watchers: dict[int, Any] = {}
        self._made_s: dict[int, float] = {}
        self.open: dict[tuple[int, str], Any] = {}
        self.by_part: dict[int, Any] = {}
        self._problem = ""

    def look(self, now_s: float) -> None:
        """Open and close what came and went since the last look."""
        if not self._parts:
            return
        names = {api: self._names(api, now_s) for api in self._apis}
        for api, name in list(self.open):
            unwired = api == self._rtmidi.API_UNIX_JACK and not self._jack.wired(name)
            if unwired or name not in names[api]:
                self._lose((api, name))
        problem = ""
        for index, part in enumerate(self._parts):
            found = [(api, name) for api in self._apis for name in names[api] if same_part(part, name)]
            for key in found if self.kind == "input" else found[:1]:
                try:
                    self._open(key)
                except self._rtmidi.RtMidiError as wrong:
                    problem = f"{key[1]} cannot be opened: {wrong}"
            if self.kind == "output":
                self._choose(index, found)
        if problem != self._problem:
            self._problem = problem
            self._voice.say(problem=problem, kind=self.kind)

    def _choose(self, index: int, found: list[tuple[int, str]]) -> None:
        port = self.open.get(found[0]) if found else None
        if port is not self.by_part.get(index):
            if port is None:
                del self.by_part[index]
            else:
                self.by_part[index] = port
            self._voice.say(output=index, name=found[0][1] if port else None, of=len(found))

    def _names(self, api: int, now_s: float) -> list[str]:
        names: list[str] = []
        watcher = self._watchers.get(api)
        with contextlib.suppress(self._rtmidi.RtMidiError):
            if watcher is not None:
                names = watcher.get_ports()
            if not names and now_s - self._made_s.get(api, -RENEW_S) >= RENEW_S:
                self._made_s[api] = now_s
                if api == self._rtmidi.API_UNIX_JACK and not self._jack.running():
                    return []
                if watcher is not None:
                    del self._watchers[api]
                    watcher.delete()
                self._watchers[api] = self._make(api, name=CLIENT)
                names = self._watchers[api].get_ports()
        return [name for name in names if not name.startswith(CLIENT)]

    def _open(self, key: tuple[int, str]) -> None:
        if key in self.open:
            return
        api, name = key
        port = self._make(api, name=CLIENT, **({"queue_size_limit": QUEUE} if self.kind == "input" else {}))
        opened = False
        try:
            names = port.get_ports()
            if name in names:
                position = names.index(name)
                port.open_port(position, name="in" if self.kind == "input" else "out")
                # Ports are opened by their position, which may just have become another's.
                opened = port.get_ports()[position : position + 1] == [name]
        finally:
            if not opened:
                port.delete()
        if opened:
            if self.kind == "input":
                port.ignore_types(sysex=False, timing=False, active_sense=True)
            self.open[key] = port
            self._voice.say(opened=name, kind=self.kind)

    def _lose(self, key: tuple[int, str]) -> None:
        self._voice.say(closed=key[1], kind=self.kind)
        self._close(key)

    def _close(self, key: tuple[int, str]) -> None:
        port = self.open.pop(key)
        with contextlib.suppress(self._rtmidi.RtMidiError):
            port.close_port()
            port.delete()

    def close(self) -> None:
        """Let go of everything."""
        for key in list(self.open):
            self._close(key)
        for watcher in self._watchers.values():
            with contextlib.suppress(self._rtmidi.RtMidiError):
                watcher.delete()


def main() -> None:
    """Hold the ports until the parent is gone or has closed our standard input."""
    # Ctrl-C in a terminal, and a service manager's SIGTERM, reach every process of the group. The parent decides.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    request = json.loads(sys.stdin.buffer.readline())
    wanted = Wanted(tuple(request["inputs"]), tuple(request["outputs"]), request["system"])
    import rtmidi  # noqa: PLC0415 - the parent has seen that it is there; it speaks to the terminal when loaded

    voice = _Voice()

    def jack_gone() -> None:
        # Its library cannot be relied on any more in a process that has seen its server die.
        voice.say(problem="the JACK server is gone", kind="JACK")
        os._exit(0)

    jack = JackGuard(CLIENT, jack_gone)
    inputs = _Side("input", rtmidi, jack, wanted, voice)
    outputs = _Side("output", rtmidi, jack, wanted, voice)
    lock = threading.Lock()
    finished = threading.Event()
    threading.Thread(target=_send, args=(outputs, lock, finished), daemon=True).start()
    _poll(inputs, outputs, voice, lock, finished)
    child.end_after(_LEAVE_S)
    with lock:
        inputs.close()
        outputs.close()
    jack.close()
    child.leave(0, _LEAVE_S)


def _poll(inputs: _Side, outputs: _Side, voice: _Voice, lock: threading.Lock, finished: threading.Event) -> None:
    names_s = beat_s = 0.0
    while not finished.wait(POLL_S if inputs.open else NAMES_S):
        now_s = time.monotonic()
        if now_s >= names_s:
            names_s = now_s + NAMES_S
            inputs.look(now_s)
            with lock:
                outputs.look(now_s)
        for (_, name), port in inputs.open.items():
            for _ in range(TURN):
                event = port.get_message()
                if event is None:
                    break
                voice.message(name, time.monotonic(), bytes(event[0]))
        if now_s >= beat_s:
            beat_s = now_s + BEAT_S
            voice.beat()


def _send(outputs: _Side, lock: threading.Lock, finished: threading.Event) -> None:
    """Send what the parent says, until it says no more."""
    for line in sys.stdin.buffer:
        index, data = line.split()
        with lock, contextlib.suppress(outputs._rtmidi.RtMidiError):
            port = outputs.by_part.get(int(index))
            if port is not None:
                port.send_message(bytes.fromhex(data.decode()))
    finished.set()


if __name__ == "__main__":
    main()
