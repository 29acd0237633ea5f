"""The frozen reading of a track, and the frame of all tracks: what every sink is given, and all that it is given."""

import math
from dataclasses import dataclass
from typing import Final, Literal

from bridge.ranges import ranges

State = Literal["quiet", "tone", "moving", "settling", "settled", "clipped"]
SourceState = Literal["running", "lost", "ended"]
LogState = Literal["writing", "refusing", "off"]
MidiState = Literal["ready", "waiting", "failed", "off"]
TrimKind = Literal["trim", "undone", "verified", "by hand"]

_STEPS_DB: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)


def resolution_db(standard_error_db: float) -> float:
    """Return the finest step of 1, 2, 5 that is not below a standard error, from 0.01 dB to 1 dB."""
    return next((step for step in _STEPS_DB if step >= standard_error_db), _STEPS_DB[-1])


@dataclass(frozen=True, slots=True)
class Reading:
    """One track at one moment. NaN where there is nothing to say (no tone, window not yet filled)."""

    track: int
    vu: float
    deviation_db: float
    fine_db: float
    spread_db: float
    state: State
    peak_dbfs: float
    rms_dbfs: float


@dataclass(frozen=True, slots=True)
class StepReading:
    """The step as published: ``number`` counts from 1; 0 of 0 when the calibration has no steps.

    ``complete`` counts the tracks of the machine that have what they need in the log; ``missing_tracks`` are the rest.
    """

    number: int
    count: int
    adjustment: str
    tone_hz: float
    speed_ips: float
    target_vu: float
    tolerance_db: float
    complete: int = 0
    missing_tracks: tuple[int, ...] = ()
    uncertainty_db: float = 0.0

    @property
    def missing(self) -> int:
        """How many tracks still miss something."""
        return len(self.missing_tracks)

    @property
    def missing_text(self) -> str:
        """The tracks that still miss something, for a person: ``3, 9-16``."""
        return ranges(self.missing_tracks)


@dataclass(frozen=True, slots=True)
class Health:
    """What went wrong so far, counted, and what is wrong now."""

    source: SourceState = "running"
    log: LogState = "writing"
    overruns: int = 0
    lost_frames: int = 0
    source_losses: int = 0
    refused_packets: int = 0
    refused_trims: int = 0
    dropped_packets: int = 0
    message: str = ""
    midi: MidiState = "off"
    midi_losses: int = 0
    declined_commands: int = 0
    clock_steps: int = 0
    lost_connections: int = 0


@dataclass(frozen=True, slots=True)
class Frame:
    """All tracks of the bank at one moment.

    ``position_s`` is counted from the start of the source; ``captured_ns`` is the Unix time in nanoseconds at which the
    last sample was captured. ``focus_track`` is 0 when no trimmer moves. ``tone_s`` is for how long the tone has played
    without a break; ``tone_stands`` is whether it does, as a tone of a tape, and speech, sweeps and noise do not: it is
    known 0.9 s after it began, and true where there are no steps. ``missing`` counts what the whole calibration
    still lacks, a track of a step as one. ``tape_time`` is where the tape is by its time code; empty when none is
    heard. ``right_tracks`` are those that `bridge.procedure.judgement` calls right. ``next_track`` comes next, 0 when
    none does, as `bridge.procedure.succession` says; ``waiting_tracks`` only wait to be logged by themselves.
    ``trimmers`` is for practice: where the trimmers of the step stand on the simulated recorder, shares of their travel
    in the order of the readings; empty on a real machine. ``follows`` is whether the tape may lead to another step;
    while it is held it does not, whatever this says.
    """

    position_s: float
    captured_ns: int
    tone_hz: float
    step: StepReading
    bank: int
    held: bool
    focus_track: int
    readings: tuple[Reading, ...]
    health: Health
    tone_s: float = 0.0
    tape_time: str = ""
    missing: int = 0
    next_track: int = 0
    waiting_tracks: tuple[int, ...] = ()
    right_tracks: tuple[int, ...] = ()
    trimmers: tuple[float, ...] = ()
    follows: bool = True
    tone_stands: bool = True

    @property
    def waiting_text(self) -> str:
        """The tracks that only wait to be logged, for a person: ``3, 9-16``."""
        return ranges(self.waiting_tracks)

    @property
    def trimmers_text(self) -> str:
        """Where the trimmers stand, for a screen that shows them: ``0.512 0.498``."""
        return " ".join(f"{share:.3f}" for share in self.trimmers)

    @property
    def right_text(self) -> str:
        """The tracks that are within their tolerance, for a person: ``1, 4-8``."""
        return ranges(self.right_tracks)


@dataclass(frozen=True, slots=True)
class Trim:
    """One act of turning one trimmer, or the check that it needed none: as found → as left.

    ``as_found_db`` and ``as_left_db`` are fine deviations, those of bias from its peak; ``spread_db`` belongs to
    ``as_left_db``. ``started_s`` and ``settled_s`` count from the start of the source; ``started_ns`` and
    ``settled_ns`` are Unix times. The log gives the trim its id.

    ``standard_error_db`` is that of ``as_left_db`` as a mean; NaN where it is not known. ``kind`` says what was done:
    the trimmer was turned (``trim``), turned and put back to where it was (``undone``), not touched and right
    (``verified``), or a person said when (``by hand``); None in logs of older programs.
    """

    machine: str
    track: int
    path: str
    adjustment: str
    tone_hz: float
    speed_ips: float
    target_vu: float
    as_found_db: float
    as_left_db: float
    spread_db: float
    tolerance_db: float
    started_s: float
    settled_s: float
    started_ns: int
    settled_ns: int
    origin: Literal["automatic", "by hand"]
    standard_error_db: float = math.nan
    kind: TrimKind | None = None

    @property
    def resolution_db(self) -> float:
        """The finest step in which its levels may be told, from 0.01 dB to 1 dB."""
        # A single reading, as one logged by hand, is as far off as readings differ.
        known = not math.isnan(self.standard_error_db)
        return resolution_db(self.standard_error_db if known else self.spread_db)

    @property
    def within_tolerance(self) -> bool | None:
        """Whether the track was left within the tolerance of its step; None for bias, which has no target."""
        return None if self.adjustment == "bias" else abs(self.as_left_db) <= self.tolerance_db
