"""The child process that captures: `bridge.source.device` starts it, and it dies with its parent.

What enters: one line of JSON on standard input (the device that is wanted, the shared memory, a socket), and the audio
interface. What leaves: samples in the shared ring, and on the socket a zero byte for each callback and one line of JSON
for each thing to say: ``{"opened": ...}`` once, or ``{"lost": reason}``.

The parent closes its end of the socket, or dies, to end this process. Nothing that the audio libraries do then can keep
it alive for longer than half a second.
"""

import contextlib
import gc
import json
import select
import signal
import socket
import sys
import threading
import time
from typing import Any, Final

from bridge.source import child, portaudio, sharing
from bridge.source.devices import InputDevice, find
from bridge.source.ring import RingWriter, Shape

JACK_CLIENT: Final = "trimbridge"
"""What the capture is called on a JACK server: patch bays remember it by this name."""

_CLOSE_LIMIT_S: Final = 0.4

_SWITCH_INTERVAL_S: Final = 0.0005
"""The default of 5 ms let one busy thread make 40 of 1,126 callbacks late; with this it was none."""


def main() -> None:
    """Capture until the parent is gone or has closed the socket."""
    # Ctrl-C in a terminal, and a service manager's SIGTERM, reach every process of the group. The parent decides.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    request = json.loads(sys.stdin.readline())
    parent = sharing.open_socket(request["socket"])
    parent.setblocking(False)
    finished = threading.Event()
    threading.Thread(target=_watch, args=(parent, finished), daemon=True).start()
    try:
        _capture(request, parent, finished)
    except Exception as error:
        _say(parent, {"lost": " ".join(str(error).split()) or type(error).__name__})
    child.leave(0, _CLOSE_LIMIT_S)


def _watch(parent: socket.socket, finished: threading.Event) -> None:
    """Wait for the parent's end of the socket to close; then give the main thread a moment to clean up."""
    with contextlib.suppress(OSError):
        while True:
            select.select([parent], [], [])
            if not parent.recv(64):
                break
    child.end_after(_CLOSE_LIMIT_S)
    finished.set()


def _say(parent: socket.socket, message: dict[str, Any]) -> None:
    with contextlib.suppress(OSError):
        parent.send(json.dumps(message).encode() + b"\n")


def _capture(request: dict[str, Any], parent: socket.socket, finished: threading.Event) -> None:
    shape = Shape(**request["shape"])
    ring = RingWriter(sharing.open_memory(request["memory"]), shape)
    sounddevice = portaudio.load(JACK_CLIENT)
    found, indices = portaudio.interfaces(sounddevice)
    position = find(found.devices, request["name"], request["host_api"])
    device = found.devices[position]
    rate_hz = request["sample_rate_hz"]
    _check(device, shape.channels, rate_hz)
    wake = parent.send

    def callback(indata: Any, _frames: int, _time: Any, status: Any) -> None:
        ring.write(memoryview(indata), time.perf_counter_ns(), time.time_ns(), bool(status.input_overflow))
        # A full socket means that the parent has not looked for a while; the bytes that are there will wake it. A
        # closed one ends this process in a moment.
        with contextlib.suppress(OSError):
            wake(b"\0")

    try:
        stream = sounddevice.RawInputStream(
            samplerate=rate_hz,
            blocksize=shape.frames,
            device=indices[position],
            channels=shape.channels,
            dtype="float32",
            # A meter loses nothing by a deeper buffer below it, but a reading by an overrun. The blocks stay short.
            latency="high",
            callback=callback,
        )
        sys.setswitchinterval(_SWITCH_INTERVAL_S)
        gc.freeze()
        gc.disable()
        stream.start()
    except sounddevice.PortAudioError as error:
        raise OSError(f"{device} cannot be opened at {rate_hz} Hz: {_reason(error)}") from None
    _say(parent, {"opened": {"name": device.name, "host_api": device.host_api}})
    finished.wait()
    stream.abort(ignore_errors=True)
    stream.close(ignore_errors=True)


def _check(device: InputDevice, channels: int, rate_hz: int) -> None:
    """Refuse what the host API would refuse in words that help nobody."""
    if channels > device.channels:
        raise ValueError(f"input {channels} is asked for, but {device} has no such input")
    if "jack" in device.host_api.casefold() and rate_hz != device.sample_rate_hz:
        raise ValueError(f"the JACK server runs at {device.sample_rate_hz} Hz, not at the {rate_hz} Hz asked for")


def _reason(error: Exception) -> str:
    """Return what PortAudio says without its error numbers."""
    return str(error.args[0]).removeprefix("Error opening RawInputStream: ") if error.args else "no reason given"


if __name__ == "__main__":
    main()
