"""A simulated calibration, played into a real engine with a real log on disk.

The levels come from the simulated recorder without the detour over samples, so many calibrations can be gone through;
somebody else moves the leads between the banks, while the hand walks on.
"""

import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np

from bridge.config.convert import to_machine, to_tapes
from bridge.config.load import loads
from bridge.control.inbox import CommandInbox, Request
from bridge.daemon.engine import Engine
from bridge.daemon.setup import setup_of
from bridge.log.calibrations import Opening, Resumption
from bridge.metering.levels import Levels
from bridge.procedure.commands import Command
from bridge.procedure.setup import Setup
from bridge.readings import Frame, Trim
from bridge.simulation.calibration import Manner, Performance, Task, perform
from bridge.simulation.condition import Condition
from bridge.simulation.hand import Act
from bridge.simulation.levels import render_levels
from bridge.simulation.recorder import Recorder
from bridge.sinks.log import LogWriter
from bridge.source.block import Block, Losses
from bridge.units import SILENCE_DB

CONFIG = """
[machine]
name = "Tidemark sixteen-track (invented)"
tracks = 16
operating_level_nwb_per_m = 320
[[machine.speeds]]
ips = 15
equalization = "iec1"
[tape]
fluxivity_nwb_per_m = 250
speed_ips = 15
equalization = "iec1"
fringing_compensated = true
tones = [{ hz = 1000, seconds = 240 }, { hz = 10000, seconds = 240 }]
[audio]
inputs = [{ "1-8" = "1-8" }, { "9-16" = "1-8" }]
[[step]]
adjustment = "repro level"
tone_hz = 1000
tolerance_db = 0.25
[[step]]
adjustment = "repro high"
tone_hz = 10000
tolerance_db = 0.4
"""
SETTINGS = loads(CONFIG, Path("invented.toml"))
SETUP = setup_of(SETTINGS)
RATE_HZ = 48_000

Due = tuple[float, Callable[[], None]]
"""What is done at a moment, in seconds."""

# A little wander, and defects that a machine in regular use has.
CONDITION = Condition(level_wander_db=0.02, dropouts_per_minute=0.5)


def performed(manner: Manner, seed: int) -> tuple[Recorder, Performance]:
    """A recorder with all that happens to it, and the truth of that."""
    recorder = Recorder(
        to_machine(SETTINGS),
        to_tapes(SETTINGS)[0],
        CONDITION,
        seed=seed,
        sample_rate_hz=RATE_HZ,
        reference_dbfs=SETTINGS.audio.reference_dbfs,
    )
    tasks = [Task(step.adjustment, step.tone_hz, step.target_vu) for step in SETUP.steps]
    return recorder, perform(recorder, tasks, manner, seed)


class Levelled:
    """The levels of a performance as metering gives them, for whichever bank is patched."""

    sample_rate_hz = RATE_HZ
    inputs = tuple(range(1, 9))
    description = "a performance"
    losses = Losses()

    def __init__(self, recorder: Recorder, end_s: float) -> None:
        ticks = render_levels(recorder, 0, int(end_s * 100))
        self.tone_hz = ticks.tone_hz
        sounding = ticks.tone_hz > 0.0
        self.tone_dbfs = np.where(sounding[:, np.newaxis], ticks.tone_dbfs, np.nan)
        self.fine_dbfs = _over(self.tone_dbfs, 40)
        self.spread_db = np.sqrt(np.maximum(_over(self.tone_dbfs**2, 100) - _over(self.tone_dbfs, 100) ** 2, 0.0))
        tone, other = 10.0 ** (ticks.tone_dbfs / 10.0) * sounding[:, np.newaxis], 10.0 ** (ticks.other_dbfs / 10.0)
        self.share = tone / np.maximum(tone + other, 1e-20)
        self.rms_dbfs = 10.0 * np.log10(np.maximum(tone + other, 1e-20))

    @property
    def seconds(self) -> float:
        """How long it is."""
        return self.tone_hz.size / 100.0

    def at(self, tick: int, tracks: tuple[int, ...], began_ns: int) -> Levels:
        """The levels at the end of a tick, the tracks on the inputs 1…"""
        columns = np.array(tracks) - 1
        tone = self.tone_dbfs[tick, columns]
        silent = np.full(len(tracks), SILENCE_DB)
        return Levels(
            end_frame=(tick + 1) * RATE_HZ // 100,
            captured_ns=began_ns + (tick + 1) * 10_000_000,
            tone_hz=float(self.tone_hz[tick]),
            tone_s=0.0,
            vu_dbfs=np.where(np.isnan(tone), silent, tone),
            tone_dbfs=tone,
            fine_dbfs=self.fine_dbfs[tick, columns],
            spread_db=self.spread_db[tick, columns],
            tone_share=self.share[tick, columns],
            phase_rad=np.zeros(len(tracks)),
            peak_dbfs=self.rms_dbfs[tick, columns],
            clipped=np.zeros(len(tracks), dtype=bool),
            rms_dbfs=self.rms_dbfs[tick, columns],
        )

    def start(self) -> None:
        """Nothing to open."""

    def stop(self) -> None:
        """Nothing to release."""

    def read(self, timeout_s: float) -> Block | None:
        """Nobody reads samples of it."""
        raise EOFError


def _over(level_db: np.ndarray, updates: int) -> np.ndarray:
    """The mean over the last updates; NaN until they are filled with tone."""
    total = np.cumsum(np.vstack([np.zeros((1, level_db.shape[1])), np.nan_to_num(level_db)]), axis=0)
    number = np.cumsum(np.vstack([np.zeros((1, level_db.shape[1])), np.isfinite(level_db)]), axis=0)
    filled = number[updates:] - number[:-updates] == updates
    mean = np.where(filled, (total[updates:] - total[:-updates]) / updates, np.nan)
    return np.vstack([np.full((updates - 1, level_db.shape[1]), np.nan), mean])


class Daemon:
    """An engine with a log on disk, as it runs in the daemon, but in this thread and as fast as it goes."""

    def __init__(
        self,
        path: Path,
        *,
        at_ns: int | None = None,
        fresh: bool = False,
        setup: Setup = SETUP,
        config: str = CONFIG,
    ) -> None:
        self.trims: list[tuple[str, Trim]] = []
        self.frames = 0
        self.newest: Frame | None = None
        self.answers: list[str | None] = []
        self._inbox = CommandInbox()
        self.began_ns = time.time_ns() if at_ns is None else at_ns
        self.log = LogWriter(path)
        self.resumption: Resumption | None = self.log.start(
            Opening(setup.machine, config, setup.steps, self.began_ns, fresh=fresh)
        )
        self.engine = Engine(setup, 5.0, [self], self._inbox, log=self.log)
        if self.resumption is not None:
            self.engine.resume(self.resumption)

    def publish(self, frame: Frame, now_s: float) -> None:
        self.frames += 1
        self.newest = frame

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:
        self.trims.append((trim_id, trim))

    def ask(self, command: Command) -> str | None:
        """Ask for something, and wait until the log has it."""
        self.answers.clear()
        self._inbox.put(Request(command, "test", self.answers.append))
        self.engine.attend()
        self.settle()
        (answer,) = self.answers
        return answer

    def settle(self) -> None:
        """Let the log write what it has."""
        assert self.log.flush(30.0)
        self.engine.attend()

    def hear(self, source: Levelled, begin_s: float, end_s: float, at: Iterable[Due] = ()) -> None:
        """Play a part of a performance; do what is due at its moments."""
        due = list(at)
        for tick in range(round(begin_s * 100), min(round(end_s * 100), source.tone_hz.size)):
            while due and due[0][0] <= tick / 100.0:
                due.pop(0)[1]()
            self.engine.levels(source.at(tick, self.engine.calibration.bank.tracks, self.began_ns))
            if tick % 50 == 0:
                self.engine.attend()

    def close(self) -> None:
        """End as the daemon does."""
        self.engine.stop()
        self.settle()
        self.engine.take(self.log.close())

    def die(self) -> None:
        """End as a process that is killed: what was not committed is gone, and nothing is said."""
        self.log.close()


def bank_changes(performance: Performance) -> Iterator[tuple[float, int]]:
    """When the leads are moved, and to which bank: between the last turn in the first and the first in the second."""
    for stage in performance.stages:
        before = [act.end_s for act in stage.acts if act.track <= 8]
        after = [act.start_s for act in stage.acts if act.track > 8]
        # A moment after the last turn in the first bank, and well before the first one in the second.
        last_s = max(before, default=stage.start_s + 4.0)
        yield last_s + 0.4 * (min(after, default=stage.end_s) - last_s), 2
        yield stage.end_s - 0.2, 1


def truth(performance: Performance) -> dict[tuple[str, int], tuple[float, float, tuple[Act, ...]]]:
    """As found and as left in dB and the acts, for each adjustment and track."""
    made = {}
    for stage in performance.stages:
        for untouched in stage.untouched:
            level_db = untouched.level_vu - stage.target_vu
            made[stage.task.adjustment, untouched.track] = (level_db, level_db, ())
        for track in {act.track for act in stage.acts}:
            acts = tuple(act for act in stage.acts if act.track == track)
            made[stage.task.adjustment, track] = (acts[0].as_found_db, acts[-1].as_left_db, acts)
    return made
