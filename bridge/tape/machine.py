"""What a tape recorder is, for this job: its tracks, heads, speeds, equalization per speed and operating level."""

from dataclasses import dataclass, field
from typing import Literal, get_args

from bridge.tape.equalization import Equalization
from bridge.tape.errors import TapeError, require_positive
from bridge.tape.fluxivity import FluxivityScale, require_scale
from bridge.tape.fringing import FringingTable, HeadGeometry
from bridge.tape.wavelength import same_speed

Path = Literal["repro", "sync", "input"]
"""What feeds a track's output."""

Adjustment = Literal[
    "repro level", "repro high", "repro low",
    "sync level", "sync high", "sync low",
    "bias", "record level", "record high", "record low",
]  # fmt: skip
"""One kind of trimmer."""

PATHS: tuple[Path, ...] = get_args(Path)

ADJUSTMENTS: tuple[Adjustment, ...] = get_args(Adjustment)

RECORD_SIDE: frozenset[Adjustment] = frozenset(("bias", "record level", "record high", "record low"))
"""What is adjusted while the machine records a tone from a generator, on a tape that may be erased."""


def path_of(adjustment: Adjustment) -> Path:
    """Return the path on which an adjustment is read: the record side is read through the repro head."""
    return "sync" if adjustment.startswith("sync") else "repro"


@dataclass(frozen=True, slots=True)
class Speed:
    """One tape speed of a machine with its reproduce equalization."""

    ips: float
    equalization: Equalization

    def __post_init__(self) -> None:
        require_positive("machine.speeds.ips", self.ips)


@dataclass(frozen=True, slots=True)
class Machine:
    """One tape recorder.

    Parameters
    ----------
    name : str
        What people call it.
    tracks : int
        How many tracks it has, 1 or more.
    operating_level_nwb_per_m : float
        The fluxivity at 1 kHz that shall read 0 VU.
    track_width_mm, track_pitch_mm : float or None
        Width of one core of the reproduce head, and from centre to centre; None = not known.
    speeds : tuple of Speed
        Its speeds; empty = not known, then the machine is taken to agree with the tape.
    operating_level_scale : {"aes7", "german"}
        The scale that the operating level was measured on.
    tape_width_mm : float or None
        Width of the tape; None = not known, then the tape is taken to end with the outer tracks.
    repro_gap_um, sync_gap_um : float or None
        Gap lengths of the reproduce and of the record head; None = not known.
    fringing : FringingTable or None
        Measured fringing of the reproduce head; it has precedence over the estimate.

    Raises
    ------
    TapeError
        For a number that no machine can have; the message names its key.
    """

    name: str
    tracks: int
    operating_level_nwb_per_m: float
    track_width_mm: float | None = None
    track_pitch_mm: float | None = None
    speeds: tuple[Speed, ...] = field(default=())
    operating_level_scale: FluxivityScale = "aes7"
    tape_width_mm: float | None = None
    repro_gap_um: float | None = None
    sync_gap_um: float | None = None
    fringing: FringingTable | None = None

    def __post_init__(self) -> None:
        require_positive("machine.tracks", self.tracks)
        require_positive("machine.operating_level_nwb_per_m", self.operating_level_nwb_per_m)
        require_scale("machine.operating_level_scale", self.operating_level_scale)
        for key in ("track_width_mm", "track_pitch_mm", "tape_width_mm", "repro_gap_um", "sync_gap_um"):
            value = getattr(self, key)
            if value is not None:
                require_positive(f"machine.{key}", value)
        width_mm, pitch_mm = self.track_width_mm, self.track_pitch_mm
        if width_mm is not None and pitch_mm is not None and pitch_mm < width_mm:
            raise TapeError("machine.track_pitch_mm", f"{pitch_mm:g} must not be below track_width_mm, {width_mm:g}")
        if self._edge_mm() < 0.0:
            raise TapeError(
                "machine.tape_width_mm", f"{self.tape_width_mm:g} is narrower than the {self.tracks} tracks on it"
            )
        for number, speed in enumerate(self.speeds):
            if any(same_speed(speed.ips, other.ips) for other in self.speeds[:number]):
                raise TapeError("machine.speeds.ips", f"{speed.ips:g} is given twice")

    def speed(self, ips: float) -> Speed | None:
        """Return the machine's speed of this many in/s, or None when it has no such speed."""
        return next((speed for speed in self.speeds if same_speed(speed.ips, ips)), None)

    @property
    def heads(self) -> HeadGeometry | None:
        """The stack of cores, or None when the track width is not known."""
        if self.track_width_mm is None:
            return None
        return HeadGeometry(self.tracks, self.track_width_mm, self.track_pitch_mm, self._edge_mm())

    def _edge_mm(self) -> float:
        """Return how much tape there is beyond the outer tracks; 0 when the geometry is not known."""
        if self.tape_width_mm is None or self.track_width_mm is None or (self.track_pitch_mm is None):
            return 0.0
        stack_mm = (self.tracks - 1) * self.track_pitch_mm + self.track_width_mm
        edge_mm = (self.tape_width_mm - stack_mm) / 2.0
        return 0.0 if -0.1 <= edge_mm < 0.0 else edge_mm
