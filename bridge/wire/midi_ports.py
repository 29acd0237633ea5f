"""MIDI ports that come and go: what arrives out of them and what is sent into them, whatever happens to them.

The ports are held by a child process, see `bridge.wire.midi_child`. A port that vanishes is opened again when one of
that name is back; a child that dies or hangs is started again.
"""

import contextlib
import importlib.util
import json
import logging
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict
from typing import Any, Final

from bridge.readings import MidiState
from bridge.source import child
from bridge.wire.episodes import Episode
from bridge.wire.midi import NOT_INSTALLED
from bridge.wire.midi_child import BEAT_S, Wanted, same_part
from bridge.wire.midi_machine import permitted

HUNG_S: Final = 10 * BEAT_S
"""A child that has said nothing for so long waits for a dead server."""

AGAIN_S: Final = (0.2, 1.0, 2.0)
"""Waits before a child is started again; the last one for ever."""

STOP_S: Final = 1.5

Receive = Callable[[str, bytes, float], None]
"""Takes the name of the input, the bytes, and when they came (monotonic). From one thread; raises nothing."""

_log = logging.getLogger(__name__)


class MidiPorts:
    """The ports that are wanted.

    Parameters
    ----------
    inputs, outputs : sequence of str
        Parts of names. An empty part of an input is any input; of several outputs with a part the first is taken.
    system : str
        Part of the name of the MIDI system; empty = all that run.
    receive : callable
    opened : callable
        Called with the position of an output in ``outputs`` each time that it was opened: it knows nothing of what
        was sent before.
    closed : callable
        Called with the name of an input each time that it is gone; never while ``receive`` is.

    Attributes
    ----------
    losses : int
        How often a port that was open vanished, or the child with all of them.
    lost_messages : int
        Messages that arrived faster than they could be read.
    refused_messages : int
        Messages that may not be sent.
    """

    def __init__(
        self,
        inputs: Sequence[str],
        outputs: Sequence[str],
        system: str,
        receive: Receive,
        opened: Callable[[int], None] = lambda _index: None,
        closed: Callable[[str], None] = lambda _name: None,
    ) -> None:
        self._wanted = Wanted(tuple(dict.fromkeys(inputs)), tuple(outputs), system)
        self._receive = receive
        self._opened = opened
        self._closed = closed
        self.losses = self.lost_messages = self.refused_messages = 0
        self._open_inputs: set[str] = set()
        self._open_outputs: dict[int, str] = {}
        self._problems: dict[str, str] = {}
        self._unusable = "" if importlib.util.find_spec("rtmidi") else NOT_INSTALLED
        self._gone: dict[str, Episode] = {}
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._process: subprocess.Popen[bytes] | None = None
        self._heard_s = 0.0
        self._thread = threading.Thread(target=self._run, name="midi ports", daemon=True)

    @property
    def state(self) -> MidiState:
        """Whether all wanted ports are there; ``failed`` when MIDI cannot be had, ``off`` when no port is wanted."""
        if not (self._wanted.inputs or self._wanted.outputs):
            return "off"
        if self._unusable:
            return "failed"
        return "waiting" if self.missing else "ready"

    @property
    def problem(self) -> str:
        """What is wrong now, in one line; empty when nothing is."""
        if self.state in ("off", "ready"):
            return next(filter(None, self._problems.values()), "")
        names = " and ".join(f'"{part}"' if part else "any input" for part in self.missing)
        return self._unusable or next(filter(None, self._problems.values()), "") or f"no MIDI port {names}"

    @property
    def missing(self) -> tuple[str, ...]:
        """The parts of names that no open port has."""
        inputs = tuple(self._open_inputs)
        absent = [part for part in self._wanted.inputs if part and not any(same_part(part, name) for name in inputs)]
        absent += [part for index, part in enumerate(self._wanted.outputs) if index not in self._open_outputs]
        return tuple(dict.fromkeys(absent))

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the inputs that are open."""
        return tuple(sorted(self._open_inputs))

    def output(self, index: int) -> str:
        """Return the name of an output; empty when it is not open."""
        return self._open_outputs.get(index, "")

    def start(self) -> None:
        """Begin; returns at once."""
        if self.state == "off":
            return
        if self._unusable:
            _log.error("MIDI: %s", self._unusable)
            return
        self._thread.start()

    def stop(self) -> None:
        """Let go of all ports."""
        self._stopping.set()
        process = self._process
        if process is not None:
            if self._lock.acquire(timeout=0.2):
                try:
                    _close(process)
                finally:
                    self._lock.release()
            else:  # a send waits for a child that hangs
                process.kill()
        if self._thread.is_alive():
            self._thread.join(2 * STOP_S)

    def send(self, index: int, message: bytes) -> bool:
        """Send a message to an output; may wait for the child. False when it is not open or may not be sent."""
        if not permitted(message):
            self.refused_messages += 1
            _log.error("a MIDI message was held back: %s", message.hex(" "))
            return False
        with self._lock:
            process = self._process
            if process is None or process.stdin is None or index not in self._open_outputs:
                return False
            try:
                process.stdin.write(b"%d %s\n" % (index, message.hex().encode()))
                process.stdin.flush()
            except (OSError, ValueError):
                return False
        return True

    def _run(self) -> None:
        tries = 0
        while not self._stopping.is_set():
            begun_s = time.monotonic()
            try:
                reason = self._live(begun_s)
            except OSError as wrong:
                reason = f"cannot be started: {wrong.strerror or wrong}"
            if self._stopping.is_set():
                return
            self._forget(f"the process that holds the MIDI ports {reason}")
            tries = 0 if time.monotonic() - begun_s > 2 * HUNG_S else tries + 1
            self._stopping.wait(AGAIN_S[min(tries, len(AGAIN_S) - 1)])

    def _live(self, now_s: float) -> str:
        """Start a child and hear it until it ends or is ended. Return what became of it."""
        became = "has ended"
        process = subprocess.Popen(
            child.command("bridge.wire.midi_child"),
            env=child.environment(),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            **child.inheriting(),
        )
        self._heard_s = now_s + HUNG_S  # its start takes longer than a beat
        with self._lock:
            self._process = process
        reader = threading.Thread(target=self._read, args=(process,), name="midi in", daemon=True)
        reader.start()
        assert process.stdin is not None
        # It may have died already, which the reader sees.
        with contextlib.suppress(OSError), self._lock:
            process.stdin.write(json.dumps(asdict(self._wanted)).encode() + b"\n")
            process.stdin.flush()
        while not self._stopping.is_set() and reader.is_alive():
            reader.join(BEAT_S)
            if time.monotonic() - self._heard_s > HUNG_S:
                became = "does not answer"
                process.kill()
        with self._lock:
            self._process = None
            _close(process)
        reader.join(STOP_S)
        process.kill()
        process.wait()
        reader.join()
        if process.stdout is not None:
            process.stdout.close()
        return became

    def _forget(self, reason: str) -> None:
        """Take note that all ports went with the child."""
        gone, self._open_inputs = self._open_inputs, set()
        for name in gone:
            self._closed(name)
        with self._lock:
            self._open_outputs.clear()
        self.losses += 1
        if self._problems.get("JACK"):
            return  # said already, and why the process has ended
        self._problems["process"] = reason
        if self._episode("process"):
            _log.error("%s: it is started anew", reason)

    def _read(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        for line in process.stdout:
            self._heard_s = time.monotonic()
            if line.startswith(b"m\t"):
                _, at_s, name, data = line.split(b"\t")
                self._receive(name.decode(), bytes.fromhex(data.decode()), float(at_s))
            else:
                self._take(json.loads(line))

    def _take(self, event: dict[str, Any]) -> None:
        if "lost" in event:
            self._problems.pop("process", None)
            self.lost_messages += event["lost"]
        elif "output" in event:
            self._take_output(event["output"], event["name"], event["of"])
        elif "problem" in event:
            self._problems[event["kind"]] = event["problem"]
            if event["problem"]:
                _log.warning("MIDI: %s", event["problem"])
        elif "opened" in event:
            self._problems.pop("JACK", None)
            _log.info("MIDI %s: %s", event["kind"], event["opened"])
            if event["kind"] == "input":
                self._open_inputs = self._open_inputs | {event["opened"]}
        elif "closed" in event:
            if event["kind"] == "input":
                self._open_inputs = self._open_inputs - {event["closed"]}
                self._closed(event["closed"])
            self.losses += 1
            if self._episode(event["closed"]):
                _log.warning("MIDI %s %s is gone", event["kind"], event["closed"])

    def _take_output(self, index: int, name: str | None, of: int) -> None:
        with self._lock:
            if name is None:
                self._open_outputs.pop(index, None)
                return
            self._open_outputs[index] = name
        if of > 1:
            part = self._wanted.outputs[index]
            _log.warning('%d MIDI outputs have "%s" in their name: %s is taken; write more of it', of, part, name)
        self._opened(index)

    def _episode(self, what: str) -> bool:
        return self._gone.setdefault(what, Episode()).happened(time.monotonic())


def _close(process: subprocess.Popen[bytes]) -> None:
    """Close the standard input of a child, which ends it."""
    if process.stdin is not None:
        # It may have ended already, with something of ours unread.
        with contextlib.suppress(OSError):
            process.stdin.close()
