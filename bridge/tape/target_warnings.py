"""What speaks against a step: from a tone, a machine and a tape to warnings that say what would be right.

Thresholds without a source are common practice, and say so.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from bridge.tape.calibration_tape import CalibrationTape, Tone
from bridge.tape.equalization import Equalization
from bridge.tape.losses import GAP_FACTOR, gap_loss_db
from bridge.tape.machine import Adjustment, Machine, path_of
from bridge.tape.wavelength import frequency_hz, same_speed, wavelength_um
from bridge.units import signed

WarningCode = Literal[
    "speed_not_on_machine",
    "speed_mismatch",
    "equalization_mismatch",
    "tone_missing",
    "tone_ambiguous",
    "tape_narrower_than_head",
    "fringing_estimated",
    "fringing_unknown",
    "fringing_beyond_table",
    "fringing_outer_tracks",
    "gap_loss",
    "head_bump",
    "no_target",
    "target_by_hand",
]

ASSUMED_REPRO_GAP_UM: Final = 3.0
ASSUMED_SYNC_GAP_UM: Final = 7.0
"""Where the machine's gaps are not known: a usual reproduce and a usual record head (common practice, no source)."""

LARGEST_GAP_LOSS_DB: Final = 1.0
"""Beyond this the trimmer makes up for the wear of the head rather than for the curve (common practice, no source)."""

HEAD_BUMP_UM: Final = 3000.0
"""At longer wavelengths the pole faces are no longer long beside the wavelength and the response undulates: the head
bumps. Common practice, no source: 127 Hz at 15 in/s, 254 Hz at 30 in/s."""

LARGEST_FRINGING_ESTIMATE_DB: Final = 1.0
"""An estimate above this is uncertain by more than 0.5 dB: no longer fit to set a trimmer by."""

UNEVEN_FRINGING_DB: Final = 0.25
"""How much less fringing on the outer tracks is worth a word: the tolerance of a channel match (common practice)."""


@dataclass(frozen=True, slots=True)
class TargetWarning:
    """One thing that speaks against a step.

    ``message`` says what is wrong, ``advice`` what would be right, ``amount_db`` by how much, or None.
    """

    code: WarningCode
    message: str
    advice: str
    amount_db: float | None = None


def speed_warnings(
    speed_ips: float, machine: Machine, tape: CalibrationTape, speed_db: float
) -> Iterator[TargetWarning]:
    """Warn of a speed that the machine or the tape does not have."""
    if machine.speeds and machine.speed(speed_ips) is None:
        speeds = ", ".join(f"{speed.ips:g}" for speed in machine.speeds)
        yield TargetWarning(
            "speed_not_on_machine",
            f"machine.speeds: {speed_ips:g} in/s is not on this machine; its equalization there is taken from the tape",
            f"use {speeds} in/s, or add the speed with its equalization to [[machine.speeds]]",
        )
    if not same_speed(speed_ips, tape.speed_ips):
        heard_hz = tape.reference_hz * speed_ips / tape.speed_ips
        yield TargetWarning(
            "speed_mismatch",
            f"tape.speed_ips: a tape made for {tape.speed_ips:g} in/s plays at {speed_ips:g} in/s; its"
            f" {tape.reference_hz:g} Hz is heard at {heard_hz:g} Hz, and the speed alone makes {signed(speed_db)} dB",
            f"play it at {tape.speed_ips:g} in/s, or take a tape made for {speed_ips:g} in/s",
            speed_db,
        )


def curve_warnings(
    tone_hz: float, speed_ips: float, played: Equalization, curve: Equalization, equalization_db: float
) -> Iterator[TargetWarning]:
    """Warn when the tape, as it is played, and the machine have different curves."""
    if not played.same_curve(curve):
        yield TargetWarning(
            "equalization_mismatch",
            f"tape.equalization: as played at {speed_ips:g} in/s the tape is {played.constants} ({played.name}), the"
            f" machine {curve.constants} ({curve.name}): {signed(equalization_db)} dB at {tone_hz:g} Hz",
            f"the target allows for it; a tape made for {curve.name} at {speed_ips:g} in/s would not need it",
            equalization_db,
        )


def tone_warnings(
    tone_hz: float, speed_ips: float, tape: CalibrationTape, tone: Tone | None
) -> Iterator[TargetWarning]:
    """Warn of a tone that is not on the tape, or is on it at several levels."""
    if tone is None:
        heard = ", ".join(f"{other.hz:g}" for other in tape.tones_played_at(speed_ips)) or "none"
        yield TargetWarning(
            "tone_missing",
            f"tape.tones: {tone_hz:g} Hz is not on the tape; its level is taken as 0 dB",
            f"at {speed_ips:g} in/s its tones are heard at: {heard} Hz",
        )
        return
    levels_db = sorted({other.level_db for other in tape.tones_heard(tone_hz, speed_ips)}, reverse=True)
    if len(levels_db) > 1:
        yield TargetWarning(
            "tone_ambiguous",
            f"tape.tones: {tone_hz:g} Hz is on the tape at {', '.join(f'{level:g}' for level in levels_db)} dB;"
            f" this step takes the one at {tone.level_db:g} dB",
            "say which one with tone_level_db, and play that one",
            levels_db[0] - levels_db[-1],
        )


def width_warnings(machine: Machine, tape: CalibrationTape) -> Iterator[TargetWarning]:
    """Warn when the tape's tracks are narrower than the cores that read them."""
    if tape.track_width_mm is None or machine.track_width_mm is None or tape.track_width_mm >= machine.track_width_mm:
        return
    low_db = 20.0 * math.log10(tape.track_width_mm / machine.track_width_mm)
    yield TargetWarning(
        "tape_narrower_than_head",
        f"tape.track_width_mm: its tracks of {tape.track_width_mm:g} mm are narrower than the"
        f" head's {machine.track_width_mm:g} mm: it reads {signed(low_db)} dB, lower where they do not meet; not in the"
        " target",
        "take a full-track tape, or one made for this track format",
        low_db,
    )


def fringing_warnings(
    tone_hz: float,
    speed_ips: float,
    machine: Machine,
    tape: CalibrationTape,
    *,
    fringing_db: float,
    uncertainty_db: float,
) -> Iterator[TargetWarning]:
    """Warn where fringing cannot be known well, and where it differs between the tracks."""
    if tape.fringing_compensated or not tape.full_track:
        return
    table = tape.fringing or machine.fringing
    if table is not None:
        if not table.covers(tone_hz, speed_ips):
            lowest_hz = frequency_hz(wavelength_um(table.points[0][0], table.speed_ips), speed_ips)
            yield TargetWarning(
                "fringing_beyond_table",
                f"fringing.points: the table ends at {lowest_hz:g} Hz at {speed_ips:g} in/s; its last value,"
                f" {signed(fringing_db)} dB, is used at {tone_hz:g} Hz",
                "measure on to lower tones, or use a higher tone",
                fringing_db,
            )
        return
    if machine.heads is None:
        if uncertainty_db >= UNEVEN_FRINGING_DB:
            yield TargetWarning(
                "fringing_unknown",
                f"machine.track_width_mm: not given; a full-track tape may read {uncertainty_db:.1f} dB high",
                "give track_width_mm and track_pitch_mm, or a measured fringing table",
                uncertainty_db,
            )
        return
    if fringing_db >= LARGEST_FRINGING_ESTIMATE_DB:
        yield TargetWarning(
            "fringing_estimated",
            f"fringing at {tone_hz:g} Hz is estimated at {signed(fringing_db, 0.1)} dB, give or take"
            f" {uncertainty_db:.2f} dB: too uncertain to pass or fail a track by",
            "set the low end by recording the tone on the machine's own tracks, use a fringing-compensated tape, or"
            " enter a measured fringing table",
            fringing_db,
        )
    outer_db = machine.heads.estimate_db(wavelength_um(tone_hz, speed_ips) / 1000.0, 1)
    if fringing_db - outer_db >= UNEVEN_FRINGING_DB:
        yield TargetWarning(
            "fringing_outer_tracks",
            f"tracks 1 and {machine.tracks} have tape on one side only: expect them"
            f" {fringing_db - outer_db:.1f} dB below the target at {tone_hz:g} Hz",
            "leave the outer tracks that much lower, or set the low end by recording on the machine's own tracks",
            outer_db - fringing_db,
        )


def head_warnings(
    adjustment: Adjustment, tone_hz: float, speed_ips: float, machine: Machine
) -> Iterator[TargetWarning]:
    """Warn of a wavelength that is too short for the gap, or long enough for the head bumps."""
    wavelength = wavelength_um(tone_hz, speed_ips)
    sync = path_of(adjustment) == "sync"
    given_um = machine.sync_gap_um if sync else machine.repro_gap_um
    gap_um = given_um if given_um is not None else ASSUMED_SYNC_GAP_UM if sync else ASSUMED_REPRO_GAP_UM
    loss_db = gap_loss_db(wavelength, gap_um)
    if loss_db <= -LARGEST_GAP_LOSS_DB or wavelength <= GAP_FACTOR * gap_um:
        assumed = "" if given_um is not None else "assumed "
        lost = f"loses {-loss_db:.1f} dB in" if wavelength > GAP_FACTOR * gap_um else "is beyond the null of"
        yield TargetWarning(
            "gap_loss",
            f"{tone_hz:g} Hz at {speed_ips:g} in/s is {wavelength:.1f} µm long and {lost} the {assumed}gap of"
            f" {gap_um:g} µm",
            f"use a tone up to {_highest_hz(gap_um, speed_ips):.0f} Hz at this speed",
            loss_db,
        )
    if wavelength >= HEAD_BUMP_UM:
        yield TargetWarning(
            "head_bump",
            f"{tone_hz:g} Hz at {speed_ips:g} in/s is {wavelength / 1000.0:.1f} mm long: the response of the head"
            " undulates there",
            f"use a tone above {frequency_hz(HEAD_BUMP_UM, speed_ips):.0f} Hz, or sweep and set the low end to the mean"
            " of the bumps",
        )


def bias_warnings(adjustment: Adjustment) -> Iterator[TargetWarning]:
    """Say that bias has no target."""
    if adjustment == "bias":
        yield TargetWarning(
            "no_target",
            "bias is found by its peak, not by a target: turn up from below until the level peaks, and on until it has"
            " dropped by the overbias",
            "take the overbias from the data sheet of the tape, for the gap of the record head and this speed",
        )


def hand_warnings(target_vu: float, computed_vu: float, threshold_db: float) -> tuple[TargetWarning, ...]:
    """Warn when a target entered by hand is further from the computed one than tolerance and uncertainty explain."""
    if abs(target_vu - computed_vu) <= threshold_db:
        return ()
    return (
        TargetWarning(
            "target_by_hand",
            f"step.target_vu: {signed(target_vu)} VU was entered; tape and machine give {signed(computed_vu)} VU",
            "leave target_vu out to use the computed target",
            target_vu - computed_vu,
        ),
    )


def _highest_hz(gap_um: float, speed_ips: float) -> float:
    """Return where the gap loss becomes too large, to 100 Hz: 20 lg(sin x / x) is near -10/3 lg(e) x^2."""
    x = math.sqrt(LARGEST_GAP_LOSS_DB / (10.0 / 3.0 * math.log10(math.e)))
    return max(100.0, 100.0 * (frequency_hz(math.pi * GAP_FACTOR * gap_um / x, speed_ips) // 100.0))
