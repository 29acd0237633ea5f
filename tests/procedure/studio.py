"""A machine, a tape and a person for the tests of the procedure: what they do goes in, what is logged comes out.

The levels are made up here, 100 times a second as metering gives them: a level for each track, a little wander, the
fine level as the mean over 0.4 s and its spread over 1 s. All of it is invented.
"""

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from bridge.metering.levels import Levels
from bridge.procedure.bank import Bank
from bridge.procedure.calibration import Calibration
from bridge.procedure.commands import Command
from bridge.procedure.outcomes import (
    Accepted,
    Declined,
    FinishToLog,
    InHandToLog,
    Outcome,
    ReinstatementToLog,
    StepMoved,
    Told,
    TrimToLog,
    TurnedToLog,
    WithdrawalToLog,
)
from bridge.procedure.progress import Record, Turned
from bridge.procedure.setup import Place, Setup
from bridge.procedure.steps import Step
from bridge.readings import Frame, Health, Trim
from bridge.units import SILENCE_DB

RATE_HZ = 48_000
REFERENCE_DBFS = -18.0
BEGAN_NS = 1_764_000_000_000_000_000

LEVEL = Step("repro level", 1000.0, 15.0, -1.5, 0.2)
HIGH = Step("repro high", 10_000.0, 15.0, -1.5, 0.4)
SYNC = Step("sync level", 1000.0, 15.0, -1.5, 0.25)
SLOW = Step("repro level", 500.0, 7.5, -1.0, 0.2)
BIAS = Step("bias", 10_000.0, 15.0, -10.0, 0.5)


def setup(steps: Sequence[Step] = (LEVEL, HIGH, SYNC), banks: int = 1, tracks: int = 4) -> Setup:
    """A machine with as many tracks in each bank, all of them on the inputs 1…"""
    inputs = tuple(range(1, tracks + 1))
    rows = tuple(
        Bank(bank, tuple(track + (bank - 1) * tracks for track in inputs), inputs) for bank in range(1, banks + 1)
    )
    return Setup("invented machine", tuple(steps), rows, REFERENCE_DBFS, {})


class Studio:
    """Somebody at a machine: deviations of the tracks of the machine, a tape that plays, and a log.

    Parameters
    ----------
    setup : Setup
    wander_db : float
        Standard deviation of a level from one update to the next.
    takes : bool
        Whether the log takes what it is given; when not, nothing comes back until `commit` or `refuse`.
    """

    def __init__(self, setup: Setup, *, wander_db: float = 0.01, takes: bool = True, seed: int = 1) -> None:
        self.setup = setup
        self.calibration = Calibration(setup)
        self.deviation_db = dict.fromkeys(setup.tracks, 0.0)
        self.playback_db = 0.0
        self.dead: set[int] = set()
        self.trims: list[Trim] = []
        self.ways: list[tuple[tuple[float, float], ...]] = []
        self.told: list[str] = []
        self.turned: list[tuple[int, Turned]] = []
        self.in_hand: list[tuple[int, Turned]] = []
        self.ids: dict[str, Trim] = {}
        self.moves = 0
        self._waiting: list[Trim] = []
        self._takes = takes
        self._wander_db = wander_db
        self._rng = np.random.default_rng(seed)
        self._frame = 0
        self._recent: list[np.ndarray] = []
        self.hz = 0.0
        self._target_vu = 0.0
        self.began()

    # -- the source

    def began(self, position_s: float = 0.0) -> None:
        """The source begins to count its samples."""
        inputs = tuple(range(1, 1 + max(number for bank in self.setup.banks for number in bank.inputs)))
        self._inputs = inputs
        self._frame = 0
        self._recent.clear()
        self.calibration.source_began(inputs, RATE_HZ, position_s)

    def lost(self, seconds: float) -> None:
        """The source is away for so long."""
        at_s = self.calibration.position_s + seconds
        self.calibration.source_lost()
        self.began(at_s)

    # -- the tape

    def play(self, step: Step | None, seconds: float) -> None:
        """Let the tone of a step be heard for so long, or silence."""
        hz = 0.0 if step is None else step.tone_hz * 1.002
        if hz != self.hz:
            self._recent.clear()
        self.hz = hz
        if step is not None:
            self._target_vu = step.target_vu
        for _ in range(round(seconds * 100)):
            self.update()

    def turn(self, track: int, to_db: float, seconds: float = 1.0) -> None:
        """Turn the trimmer of a track until it deviates by so much."""
        from_db = self.deviation_db[track]
        for share in np.linspace(0.0, 1.0, round(seconds * 100)):
            eased = share**3 * (10.0 - 15.0 * share + 6.0 * share**2)
            self.deviation_db[track] = from_db + (to_db - from_db) * eased
            self.update()

    def trim(self, track: int, to_db: float = 0.0) -> None:
        """Turn the trimmer of a track, and leave it alone for long enough."""
        self.turn(track, to_db)
        self.play_on(9.0)

    def play_on(self, seconds: float) -> None:
        """Go on for so long."""
        for _ in range(round(seconds * 100)):
            self.update()

    def update(self) -> None:
        """A hundredth of a second."""
        self._frame += RATE_HZ // 100
        self.take(self.calibration.update(self._levels()))

    def _levels(self) -> Levels:
        count = len(self._inputs)
        heard = np.full(count, np.nan)
        bank = self.calibration.bank
        if self.hz:
            wander_db = self._rng.normal(0.0, self._wander_db, count)
            for track, number in zip(bank.tracks, bank.inputs, strict=True):
                if track not in self.dead:
                    deviation_db = self.deviation_db[track] + self.playback_db
                    heard[number - 1] = REFERENCE_DBFS + self._target_vu + deviation_db + wander_db[number - 1]
        self._recent = [*self._recent[-99:], heard]
        quiet = np.isnan(heard)
        silence = np.full(count, SILENCE_DB)
        fine = np.mean(self._recent[-40:], axis=0) if len(self._recent) >= 40 else np.full(count, np.nan)
        spread = np.std(self._recent, axis=0) if len(self._recent) == 100 else np.full(count, np.nan)
        return Levels(
            end_frame=self._frame,
            captured_ns=BEGAN_NS + self._frame * 1_000_000_000 // RATE_HZ,
            tone_hz=self.hz,
            tone_s=0.0,
            vu_dbfs=np.where(quiet, silence, heard),
            tone_dbfs=heard,
            fine_dbfs=fine,
            spread_db=spread,
            tone_share=np.where(quiet, 0.0, 0.999),
            phase_rad=np.zeros(count),
            peak_dbfs=np.where(quiet, silence, heard),
            clipped=np.zeros(count, dtype=bool),
            rms_dbfs=np.where(quiet, silence, heard),
        )

    # -- the person

    def ask(self, command: Command) -> Outcome:
        """Ask for something; return the answer."""
        outcomes = self.calibration.handle(command)
        self.take(outcomes)
        return outcomes[-1]

    def done(self, command: Command) -> None:
        """Ask for something that has to be done."""
        answer = self.ask(command)
        assert not isinstance(answer, Declined), answer

    def refused(self, command: Command) -> str:
        """Ask for something that has to be refused; return why it was."""
        answer = self.ask(command)
        assert isinstance(answer, Declined), answer
        return answer.reason

    # -- the log

    def take(self, outcomes: Iterable[Outcome]) -> None:
        """Do what the procedure wants done."""
        for outcome in outcomes:
            match outcome:
                case TrimToLog(trim, way):
                    self._waiting.append(trim)
                    self.ways.append(way)
                    if self._takes:
                        self.commit()
                case Told(text):
                    self.told.append(text)
                case TurnedToLog(turned, text):
                    self.told.append(text)
                    self.turned.append((len(self.trims) + len(self._waiting), turned))
                    self.in_hand = [one for one in self.in_hand if one[1].track != turned.track]
                case InHandToLog(turned, is_over):
                    if is_over:
                        self.in_hand = [one for one in self.in_hand if one[1] != turned]
                    else:
                        self.in_hand.append((len(self.trims) + len(self._waiting), turned))
                case WithdrawalToLog(trim_id):
                    self.calibration.withdrawn(trim_id)
                case ReinstatementToLog(trim_id):
                    self.calibration.reinstated(trim_id)
                case StepMoved() | Accepted(moved=True):
                    self.moves += 1
                case FinishToLog():
                    self.take(self.calibration.begin_another())

    def commit(self) -> None:
        """Everything that waits is on disk."""
        for trim in self._waiting:
            self.trims.append(trim)
            trim_id = f"T{len(self.trims)}"
            self.ids[trim_id] = trim
            self.calibration.logged(Record(trim_id, trim))
        self._waiting.clear()

    def refuse(self) -> None:
        """The disk takes nothing of what waits."""
        for trim in self._waiting:
            turned = self.calibration.not_logged(trim)
            if turned is not None:
                self.turned.append((len(self.trims), turned))
        self._waiting.clear()

    def crash(self, *, place: Place | None = None) -> None:
        """The daemon dies and comes back with what the log holds."""
        place = place or self.calibration.place
        self.calibration = Calibration(self.setup, place)
        self._waiting.clear()
        self.turned += self.open_in_hand
        self.in_hand.clear()
        turned = [one for before, one in self.turned if all(trim.track != one.track for trim in self.trims[before:])]
        records = [Record(trim_id, trim) for trim_id, trim in self.ids.items()]
        self.calibration.restore(records, (), (), turned)
        self.hz = 0.0
        self.began()

    # -- what is seen of it

    @property
    def open_in_hand(self) -> list[tuple[int, Turned]]:
        """What the log knows to be in hand, and no trim that is on disk has answered."""
        return [(at, one) for at, one in self.in_hand if all(trim.track != one.track for trim in self.trims[at:])]

    @property
    def step(self) -> int:
        """Number of the step under way."""
        return self.calibration.place.step

    @property
    def missing(self) -> Mapping[int, tuple[int, ...]]:
        """Which tracks are missing, by step."""
        return {one.step: one.tracks for one in self.calibration.missing()}

    def frame(self) -> Frame:
        """What the sinks are told."""
        return self.calibration.frame(Health(), BEGAN_NS)

    def state(self, track: int) -> str:
        """The state of a track of the bank."""
        return next(reading.state for reading in self.frame().readings if reading.track == track)

    def summary(self) -> list[tuple[str, int, float, float]]:
        """Every trim as adjustment, track, as found and as left, to 0.1 dB."""
        return [(trim.adjustment, trim.track, _tenth(trim.as_found_db), _tenth(trim.as_left_db)) for trim in self.trims]


def _tenth(level_db: float) -> float:
    return round(level_db, 1) + 0.0 if math.isfinite(level_db) else math.nan
