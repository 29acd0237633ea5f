"""A recording through all stages, as fast as it can be read: the command `replay`."""

import json
import logging
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Final

from bridge.cli.failures import FailedError, WrongUseError
from bridge.cli.figures import counted
from bridge.cli.live import clock, told
from bridge.cli.output_file import spare
from bridge.config.load import load
from bridge.control.inbox import CommandInbox
from bridge.daemon.engine import Engine, Viewer
from bridge.daemon.setup import setup_of
from bridge.daemon.sources import wanted_inputs
from bridge.log.calibrations import Opening
from bridge.log.entries import EventEntry, FinishEntry
from bridge.procedure.setup import Place
from bridge.readings import Frame, Trim
from bridge.sinks.log import LogWriter
from bridge.sinks.readings import COLUMNS, ReadingsFile
from bridge.source.recording import Recording

LOG_LIMIT_S: Final = 60.0
"""How long the last trims may take to reach the disk."""

READ_S: Final = 5.0

_log = logging.getLogger(__name__)

BLOCK_FRAMES: Final = 4096
"""Nobody waits for a block here, and what is measured does not depend on it."""


class _Announcer:
    """Prints trims as they are logged, and says what is wrong with a tone."""

    def __init__(self, *, quiet: bool) -> None:
        self._quiet = quiet
        self._wrong_tone = ""
        self.trims = 0
        self.frames = 0
        self.wrong_tone: Callable[[], str] = str
        """Returns what is wrong with the tone that plays; empty when nothing is."""

    def publish(self, frame: Frame, now_s: float) -> None:  # noqa: ARG002 - positions, not the time of day
        """Count a frame."""
        self.frames += 1
        before, self._wrong_tone = self._wrong_tone, self.wrong_tone()
        if self._wrong_tone and not before:
            _log.warning("%s %s", clock(frame.position_s), self._wrong_tone)

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:  # noqa: ARG002 - positions, not the time of day
        """Print a trim."""
        self.trims += 1
        if not self._quiet:
            print(f"{clock(trim.settled_s)} {told(trim, trim_id)}", flush=True)


def replay_recording(
    recording: Path, config: Path, *, log: Path | None, readings: Path | None, step: int = 1, as_json: bool
) -> None:
    """Take a recording through metering, procedure, and log; ``step`` (1…) says at which path and speed it was made."""
    settings = load(config, source_needed=False)
    if readings is not None:
        spare(readings, recording, config, *([log] if log else []), begins=",".join(COLUMNS).encode())
    setup = setup_of(settings, settings.machine.name)
    if not 1 <= step <= max(1, len(setup.steps)):
        raise WrongUseError(f"--step {step}: the steps of {config} are 1 to {len(setup.steps)}")
    begun_ns, begun_s = time.time_ns(), time.monotonic()
    source = Recording(recording, wanted_inputs(settings), BLOCK_FRAMES, realtime=False)
    announcer = _Announcer(quiet=as_json)
    viewers: list[Viewer] = [announcer]
    with ExitStack() as stack:
        writer = resumption = None
        if log is not None:
            writer = LogWriter(log)
            text = config.read_text(encoding="utf-8")
            # What it has to say about a log that cannot be written is said once, by the error.
            logging.disable(logging.ERROR)
            try:
                resumption = writer.start(Opening(setup.machine, text, setup.steps, begun_ns, fresh=True))
            finally:
                logging.disable(logging.NOTSET)
            stack.callback(writer.close)
            if resumption is None:
                raise FailedError(writer.problem)
        if readings is not None:
            viewers.append(stack.enter_context(closing(ReadingsFile(readings))))
        engine = Engine(setup, settings.osc.frames_per_s, viewers, CommandInbox(), log=writer, keeps_in_hand=False)
        announcer.wrong_tone = lambda: engine.calibration.notice
        if resumption is not None and writer is not None:
            engine.resume(resumption)
            writer.submit(EventEntry("recording", str(recording.absolute()), begun_ns))
        engine.calibration.resume(Place(step, 1))
        position_s = _pass_through(source, engine)
        if writer is not None:
            writer.submit(FinishEntry(time.time_ns()))
            if not writer.flush(LOG_LIMIT_S):
                raise FailedError(f"{log} does not take the trims: {writer.problem or 'the disk does not answer'}")
            engine.attend()
            if writer.refused_trims:
                raise FailedError(f"{counted(writer.refused_trims, 'trim')} could not be logged into {log}")
    took_s = time.monotonic() - begun_s
    if as_json:
        summary = {
            "recording": str(recording), "seconds": round(position_s, 3), "trims": announcer.trims,
            "frames": announcer.frames, "times_real_time": round(position_s / took_s, 1),
        }  # fmt: skip
        json.dump(summary, sys.stdout)
        print()
    else:
        logged = f"{counted(announcer.trims, 'trim')} logged" if log else "nothing logged: give --log to keep trims"
        print(f"{clock(position_s)} of {source.description}: {logged}; {position_s / took_s:.0f} times real time")


def _pass_through(source: Recording, engine: Engine) -> float:
    """Feed the engine with the whole recording; return its length in seconds."""
    end_frame = 0
    source.start()
    try:
        try:
            engine.source_began(source, 0.0)
        except ValueError as error:
            raise FailedError(str(error)) from None
        while True:
            block = source.read(READ_S)
            if block is None:
                raise FailedError(f"{source.description}: nothing could be read for {READ_S:g} s")
            engine.block(block)
            engine.attend()
            end_frame = block.end_frame
    except EOFError:
        engine.source_ended()
    finally:
        source.stop()
    if end_frame == 0:
        raise FailedError(f"{source.description}: holds no samples")
    return end_frame / source.sample_rate_hz
