"""The audio interface: blocks of its inputs, captured by a child process.

PortAudio runs in a process of its own, `bridge.source.capture`, because it keeps the device list of its start, reports
no unplugging, can hang when closed, and loads a JACK library that can die with its server. None of that touches this
process, nor does anything this process does delay the audio callback. Opening the source again is a new child.
"""

import contextlib
import json
import socket
import subprocess
import time
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from bridge.source import child
from bridge.source.block import LARGEST, Block, Losses
from bridge.source.capture_clock import CaptureClock
from bridge.source.channels import channels_to_open, checked_inputs, spoken
from bridge.source.faults import SourceLostError
from bridge.source.ring import Shape
from bridge.source.ring_reader import RingReader, Slot
from bridge.source.sharing import SharedMemory, socket_address

_RING_S: Final = 1.0
"""How far the reader may fall behind before samples are lost."""

_SILENCE_LIMIT_S: Final = 0.5
"""Without samples for so long, the source is lost."""

_OPEN_LIMIT_S: Final = 15.0
"""The host APIs probe every device of the machine at their start; some take seconds."""

_EXIT_LIMIT_S: Final = 0.6
"""The child ends itself within 0.4 s of the socket's closing; then it is killed."""


class Device:
    """An audio interface, selected by name and host API.

    Parameters
    ----------
    name : str
        The device's name, or a part of it that fits no other. Empty: the only one there is.
    host_api : str
        The same for the host API (ALSA, JACK, Core Audio, WASAPI, ASIO …). Empty: any.
    inputs : sequence of int
        1 to 64 input numbers (1…), in any order, with gaps.
    sample_rate_hz : int
        The interface is opened at this rate or not at all: nothing is resampled.
    block_frames : int
        Frames of each block.

    Raises
    ------
    ValueError
        For inputs that cannot be.
    """

    def __init__(self, name: str, host_api: str, inputs: Sequence[int], sample_rate_hz: int, block_frames: int) -> None:
        self._name = name
        self._host_api = host_api
        self.inputs: Final = checked_inputs(inputs)
        self.sample_rate_hz: Final = sample_rate_hz
        slots = max(8, round(_RING_S * sample_rate_hz / block_frames))
        self._shape = Shape(slots, block_frames, channels_to_open(self.inputs))
        self._opened: dict[str, str] = {}
        self._said = b""
        self._lost = "it was not started"
        self._stopped = False
        self._child: subprocess.Popen[bytes] | None = None
        self._socket: socket.socket | None = None
        self._ring: RingReader | None = None
        self._clock = CaptureClock(sample_rate_hz)
        self._silent_since_s = 0.0
        self._end_frame = 0
        self._lost_frames = 0
        self._overruns = 0
        self._all_zero = True

    @property
    def description(self) -> str:
        """Device, host API, inputs and rate in one line."""
        name = self._opened.get("name", self._name)
        host_api = self._opened.get("host_api", self._host_api)
        on = f" on {host_api}" if host_api else ""
        return f'"{name}"{on}, {spoken(self.inputs)}, {self.sample_rate_hz} Hz'

    @property
    def losses(self) -> Losses:
        """What went wrong since the start.

        Lost frames are exact where this process was too slow. Where the driver lost them it is judged by the clock: no
        driver says. Frames that held something that is no number, or far too large (a client of a JACK server can send
        such), count as lost, too; that sample is delivered as silence.
        """
        return Losses(self._overruns, self._lost_frames, self._clock.steps)

    @property
    def all_zero(self) -> bool:
        """Whether every sample of every input so far was exactly zero.

        No converter is that quiet. On macOS it means that the microphone permission is missing, which is not reported
        in any other way; elsewhere, that nothing is patched to a digital input.
        """
        return self._all_zero

    def start(self) -> None:
        """Open the interface; return when samples flow.

        Raises
        ------
        SourceLostError
            When it cannot be opened or gives no samples. The message is one line.
        """
        try:
            self._start_child()
            self._await_samples()
        except OSError as error:
            self.stop()
            raise SourceLostError(f"the capture process cannot be started: {error}") from None
        except BaseException:
            self.stop()
            raise
        self._silent_since_s = time.monotonic()

    def read(self, timeout_s: float) -> Block | None:
        """Return the next block, or None when none came within ``timeout_s``.

        Raises
        ------
        SourceLostError
            When the interface is gone, or has given no samples for 0.5 s. The message is one line.
        """
        deadline_s = time.monotonic() + timeout_s
        while True:
            ring = self._ring  # `stop` may take it away from another thread.
            slot = ring.take() if ring else None
            now_s = time.monotonic()
            if slot is not None:
                self._silent_since_s = now_s
                return self._block(slot)
            if self._lost:
                raise self._loss()
            silence_ends_s = self._silent_since_s + _SILENCE_LIMIT_S
            if now_s >= silence_ends_s:
                self._lost = f"no samples for {_SILENCE_LIMIT_S:g} s; unplugged, or its server has stopped"
                raise self._loss()
            if now_s >= deadline_s:
                return None
            self._listen(min(deadline_s, silence_ends_s) - now_s)

    def stop(self) -> None:
        """End the child, in order if it can be had, and release everything. From any thread, also during `start`."""
        self._stopped = True
        self._lost = self._lost or "it was stopped"
        ending, self._child = self._child, None
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
        if ending is not None:
            try:
                ending.wait(_EXIT_LIMIT_S)
            except subprocess.TimeoutExpired:
                ending.kill()
                ending.wait()
        self._ring = None
        if self._socket is not None:
            self._socket.close()

    def _start_child(self) -> None:
        memory = SharedMemory(self._shape.total_bytes)
        self._ring = RingReader(memory.mapping, self._shape, self.inputs)
        self._socket, theirs = socket.socketpair()
        try:
            self._child = subprocess.Popen(
                child.command("bridge.source.capture"),
                env=child.environment(),
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                **child.inheriting(*memory.inherited, theirs.fileno()),
            )
            request = {
                "name": self._name,
                "host_api": self._host_api,
                "sample_rate_hz": self.sample_rate_hz,
                "shape": {
                    "slots": self._shape.slots,
                    "frames": self._shape.frames,
                    "channels": self._shape.channels,
                },
                "memory": memory.address,
                "socket": socket_address(theirs, self._child.pid),
            }
            assert self._child.stdin is not None
            with self._child.stdin as pipe:
                pipe.write(json.dumps(request).encode() + b"\n")
        finally:
            theirs.close()
            memory.given()
        self._lost = ""

    def _await_samples(self) -> None:
        deadline_s = time.monotonic() + _OPEN_LIMIT_S
        while not (self._opened and (ring := self._ring) and ring.waiting_slots):
            self._listen(deadline_s - time.monotonic())
            if time.monotonic() > deadline_s:
                self._lost = self._lost or f"not open within {_OPEN_LIMIT_S:g} s, or without samples"
            if self._stopped or self._lost:
                raise self._loss()

    def _loss(self) -> SourceLostError:
        return SourceLostError(f"{self.description}: {self._lost or 'it was stopped'}")

    def _listen(self, timeout_s: float) -> None:
        """Wait until the child has something to say: samples are there, it has opened the device, or it has lost it."""
        assert self._socket is not None
        try:
            self._socket.settimeout(max(timeout_s, 0.001))
            said = self._socket.recv(4096)
        except TimeoutError:
            return
        except OSError:
            said = b""
        if not said:
            self._lost = self._lost or "the capture process has ended"
            return
        *lines, self._said = (self._said + said.replace(b"\0", b"")).split(b"\n")
        for line in lines:
            message: dict[str, Any] = json.loads(line)
            self._opened = message.get("opened", self._opened)
            self._lost = self._lost or message.get("lost", "")

    def _block(self, slot: Slot) -> Block:
        frames = self._shape.frames
        lost_frames = slot.missed_slots * frames
        if slot.overflowed:
            late_ns = self._clock.lateness_ns(self._end_frame + lost_frames + frames, slot.monotonic_ns)
            late_frames = round(late_ns * 1e-9 * self.sample_rate_hz)
            # Less than half a block is within what callbacks are late by without a loss.
            if late_frames > frames // 2:
                lost_frames += late_frames
        low, high = slot.samples.min(), slot.samples.max()
        # A comparison with NaN is false, so this one holds for sound only.
        broken_frames = 0 if low > -LARGEST and high < LARGEST else _silence_what_is_no_sound(slot.samples)
        if lost_frames or broken_frames or slot.overflowed:
            self._overruns += 1
            self._lost_frames += lost_frames + broken_frames
        self._all_zero = self._all_zero and bool(low == 0.0 == high)
        first_frame = self._end_frame + lost_frames
        self._end_frame = first_frame + frames
        captured_ns = self._clock.stamp(self._end_frame, slot.monotonic_ns, slot.wall_ns)
        return Block(slot.samples, first_frame, captured_ns)


def _silence_what_is_no_sound(samples: NDArray[np.float32]) -> int:
    """Put silence for samples that are no number or far too large, and return in how many frames there were such.

    One of them would stay in the recursion of a meter for ever. The other inputs of the frame are as good as before.
    """
    broken = ~(np.abs(samples) < LARGEST)
    samples[broken] = 0.0
    return int(broken.any(axis=1).sum())
