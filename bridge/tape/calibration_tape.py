"""What a calibration tape is: its fluxivity, speed, equalization, format, and its tones in order."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from bridge.tape.equalization import Equalization
from bridge.tape.errors import TapeError, require_finite, require_not_negative, require_positive
from bridge.tape.fluxivity import FluxivityScale, aes7_nwb_per_m, require_scale, restated_nwb_per_m
from bridge.tape.fringing import FringingTable
from bridge.tape.wavelength import same_speed

SAME_TONE: Final = 0.02
"""Frequencies this close, as a fraction, are one tone: 31.5 and 32 Hz are, 15 and 16 kHz are not."""


@dataclass(frozen=True, slots=True)
class Tone:
    """One tone of a calibration tape; ``level_db`` is relative to the tape's reference fluxivity."""

    hz: float
    level_db: float = 0.0
    seconds: float = 60.0

    def __post_init__(self) -> None:
        require_positive("tape.tones.hz", self.hz)
        require_finite("tape.tones.level_db", self.level_db)
        require_positive("tape.tones.seconds", self.seconds)


@dataclass(frozen=True, slots=True)
class CalibrationTape:
    """One calibration tape.

    Parameters
    ----------
    fluxivity_nwb_per_m : float
        Its reference fluxivity, as the label states it.
    speed_ips : float
        The speed it was made for.
    equalization : Equalization
        The curve it was made for, at that speed.
    tones : tuple of Tone
        In the order in which they play.
    scale : {"aes7", "german"}
        How the fluxivity was measured.
    reference_hz : float
        The frequency at which the reference fluxivity was set.
    full_track : bool
        Whether it was recorded over its whole width.
    fringing_compensated : bool
        Whether its low tones were lowered to make up for fringing.
    name : str
        What people call it.
    track_width_mm : float or None
        Width of one recorded track, where it was not recorded over its whole width; None = not known.
    fringing : FringingTable or None
        Fringing measured with this tape; it has precedence over the head's table and over the estimate.
    fluxivity_uncertainty_db, response_uncertainty_db : float
        Half-widths of the tolerance of the reference fluxivity, and of the level of its other tones relative to it.
        The defaults are common practice, no source; the sheet of the tape says better.

    Raises
    ------
    TapeError
        For a number that no tape can have; the message names its key.
    """

    fluxivity_nwb_per_m: float
    speed_ips: float
    equalization: Equalization
    tones: tuple[Tone, ...]
    scale: FluxivityScale = "aes7"
    reference_hz: float = 1000.0
    full_track: bool = True
    fringing_compensated: bool = False
    name: str = ""
    track_width_mm: float | None = None
    fringing: FringingTable | None = None
    fluxivity_uncertainty_db: float = 0.25
    response_uncertainty_db: float = 0.5

    def __post_init__(self) -> None:
        require_positive("tape.fluxivity_nwb_per_m", self.fluxivity_nwb_per_m)
        require_positive("tape.speed_ips", self.speed_ips)
        require_positive("tape.reference_hz", self.reference_hz)
        require_not_negative("tape.fluxivity_uncertainty_db", self.fluxivity_uncertainty_db)
        require_not_negative("tape.response_uncertainty_db", self.response_uncertainty_db)
        require_scale("tape.scale", self.scale)
        if self.track_width_mm is not None:
            require_positive("tape.track_width_mm", self.track_width_mm)
            if self.full_track:
                raise TapeError(
                    "tape.track_width_mm", "a full-track tape has none; leave it out or set full_track = false"
                )
        if self.fringing is not None and (self.fringing_compensated or not self.full_track):
            why = "fringing_compensated = true" if self.fringing_compensated else "full_track = false"
            raise TapeError("tape.fringing", f"a table does not go together with {why}; leave out one of them")

    @property
    def fluxivity_1khz_nwb_per_m(self) -> float:
        """The reference fluxivity as AES7 would measure it, restated at 1 kHz along the tape's own curve."""
        on_scale = aes7_nwb_per_m(self.fluxivity_nwb_per_m, self.scale)
        return restated_nwb_per_m(on_scale, self.equalization, self.reference_hz)

    def tones_played_at(self, speed_ips: float) -> tuple[Tone, ...]:
        """Return the tones as they are heard at a speed: frequencies scale with it, durations with its inverse."""
        require_positive("speed_ips", speed_ips)
        faster = speed_ips / self.speed_ips
        return tuple(replace(tone, hz=tone.hz * faster, seconds=tone.seconds / faster) for tone in self.tones)

    def tone_starts_s(self, speed_ips: float) -> tuple[float, ...]:
        """Return after how many seconds from the first tone each tone starts, when played at a speed."""
        seconds = (tone.seconds for tone in self.tones_played_at(speed_ips))
        return tuple(itertools.accumulate(seconds, initial=0.0))[:-1]

    def tones_heard(self, hz: float, speed_ips: float) -> tuple[Tone, ...]:
        """Return the tones, as heard at a speed, that are the tone of this frequency; there may be none or several."""
        return tuple(tone for tone in self.tones_played_at(speed_ips) if abs(tone.hz - hz) <= SAME_TONE * hz)


def tape_for(
    tapes: Sequence[CalibrationTape], speed_ips: float, tone_hz: float, tone_level_db: float | None = None
) -> CalibrationTape:
    """Return the calibration tape that a step is trimmed to.

    Of the tapes made for its speed it is the one whose tone of this frequency is nearest to the level that is wanted,
    the first of equals. A tape for another speed is taken only where there is none for this one.

    Parameters
    ----------
    tapes : sequence of CalibrationTape
        One or more.
    speed_ips, tone_hz : float
        Those of the step.
    tone_level_db : float or None
        Level of the tone relative to the reference fluxivity; None = 0 dB.
    """
    wanted_db = tone_level_db or 0.0

    def distance(tape: CalibrationTape) -> tuple[bool, float]:
        off_db = (abs(tone.level_db - wanted_db) for tone in tape.tones_heard(tone_hz, speed_ips))
        return not same_speed(tape.speed_ips, speed_ips), min(off_db, default=math.inf)

    return min(tapes, key=distance)
