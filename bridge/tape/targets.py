"""Targets: from a step, a machine and a calibration tape to what the meter must read, as a sum of named terms.

All terms are in dB and add up to the target in VU. F_t is the fluxivity of the tape and F_h the operating level of the
machine, both as AES7 would measure them and at 1 kHz; A is the curve of the tape, made for v1; B the curve of the
machine at v2, the speed of the step; f is the frequency as it is heard, so f v1 / v2 is that on the label of the tape.

fluxivity
    20 lg(F_t / F_h).
equalization
    [N_A(f v1/v2) - N_B(f)] minus the same at 1 kHz as heard: by how much the shapes of the two curves differ. It is 0
    at 1 kHz, and everywhere when A, played at v2, is B.
speed
    N_A(1 kHz v1/v2) - N_A(1 kHz): at another speed, what is heard at 1 kHz was recorded at another frequency, where the
    tape carries another flux. The flux itself does not depend on the speed, the reproducer (head and integrator) senses
    flux, and at equal wavelength its losses are equal; so this is all. It is 0 at the speed the tape was made for.
fringing
    What cores narrower than the recording pick up beside their track, see `bridge.tape.fringing`, at 1 kHz too. It is 0
    for a tape that is compensated or not full-track.
tape_level
    Level of the tone relative to the reference fluxivity of the tape; on the record side, of the generator relative to
    operating level.
user
    A correction entered by hand, or what makes the sum the target that was entered by hand.

Without speed and fringing this is the level N_A(f) - N_B(f) + 20 lg(F_t / F_h) of a perfectly aligned reproducer, with
the curves of IEC 60094-1:1981, clause 15.

On the record side no calibration tape plays: the machine records a generator's tone on its own tracks and reads it
through its own reproduce side, which by then is right. So 0 VU in shall read 0 VU out, and every tape term is 0. What
the reproduce side was left with at this tone may be entered as the user's correction. Bias has no target: it is found
by its peak (warning ``no_target``; the number is the level that the tone is recorded at).

Uncertainties are half-widths, one for each term; they are independent and add by root sum of squares (JCGM 100:2008,
5.1.2). They say how far a perfectly adjusted machine may read from the target.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, get_args

from bridge.tape.calibration_tape import CalibrationTape, Tone
from bridge.tape.equalization import Equalization
from bridge.tape.errors import TapeError, require_finite, require_positive
from bridge.tape.fluxivity import aes7_nwb_per_m, difference_db
from bridge.tape.fringing import UNCERTAINTY, HeadGeometry
from bridge.tape.machine import ADJUSTMENTS, RECORD_SIDE, Adjustment, Machine
from bridge.tape.target_warnings import (
    TargetWarning,
    bias_warnings,
    curve_warnings,
    fringing_warnings,
    hand_warnings,
    head_warnings,
    speed_warnings,
    tone_warnings,
    width_warnings,
)
from bridge.tape.wavelength import same_speed, wavelength_um

Term = Literal["fluxivity", "equalization", "speed", "fringing", "tape_level", "user"]

TERMS: Final[tuple[Term, ...]] = get_args(Term)
"""The terms of a target, in the order in which they are shown."""

GERMAN_SCALE_UNCERTAINTY_DB: Final = 0.3
"""What a conversion from the old German scale adds, of which one paper is all there is. A judgement."""

CURVE_UNCERTAINTY_DB: Final = 0.1
"""Between curves of other time constants: handbooks round these to transition frequencies, off by up to 0.09 dB."""

NARROWEST_CORE_MM: Final = 0.94
"""Where the track width is not known, fringing may be as large as on a 24-track head for two-inch tape."""


@dataclass(frozen=True, slots=True)
class StepRequest:
    """What is asked for in one step.

    Parameters
    ----------
    adjustment : Adjustment
        What is turned.
    tone_hz : float
        Frequency as it is heard, at the speed of the step.
    speed_ips : float
        Speed at which the machine runs.
    tolerance_db : float
        How far from the target is good enough.
    target_vu : float or None
        A target entered by hand; then it is the target exactly, and the term ``user`` is what the others lack.
    user_db : float
        A correction added to the computed target. Not together with ``target_vu``.
    tone_level_db : float or None
        Which of several tones of one frequency on the tape; or, on the record side, the level at which the generator's
        tone is recorded. None = the one nearest 0 dB, or 0 dB.

    Raises
    ------
    TapeError
        For a number or a combination that makes no sense; the message names its key.
    """

    adjustment: Adjustment
    tone_hz: float
    speed_ips: float
    tolerance_db: float = 0.25
    target_vu: float | None = None
    user_db: float = 0.0
    tone_level_db: float | None = None

    def __post_init__(self) -> None:
        if self.adjustment not in ADJUSTMENTS:
            raise TapeError("step.adjustment", f'"{self.adjustment}" must be one of {", ".join(ADJUSTMENTS)}')
        require_positive("step.tone_hz", self.tone_hz)
        require_positive("step.speed_ips", self.speed_ips)
        require_positive("step.tolerance_db", self.tolerance_db)
        require_finite("step.user_db", self.user_db)
        if self.target_vu is not None:
            require_finite("step.target_vu", self.target_vu)
            if self.user_db != 0.0:
                raise TapeError("step.user_db", "a correction does not go together with target_vu; give one of them")
        if self.tone_level_db is not None:
            require_finite("step.tone_level_db", self.tone_level_db)


@dataclass(frozen=True, slots=True)
class Target:
    """What the meter must read in a step.

    ``terms_db`` and ``term_uncertainties_db`` have exactly the keys `TERMS`, in that order; the terms add up to
    ``target_vu``, and ``uncertainty_db`` is the root sum of squares of their uncertainties.
    """

    target_vu: float
    terms_db: Mapping[str, float]
    uncertainty_db: float
    term_uncertainties_db: Mapping[str, float]
    warnings: tuple[TargetWarning, ...]


def default_speed_ips(machine: Machine, tape: CalibrationTape) -> float:
    """Return the speed of a step that names none: that of the tape, if the machine has it, or else its first."""
    if not machine.speeds or machine.speed(tape.speed_ips):
        return tape.speed_ips
    return machine.speeds[0].ips


def compute_target(step: StepRequest, machine: Machine, tape: CalibrationTape) -> Target:
    """Return the target of a step with its terms, its uncertainty, and what speaks against this choice of tone.

    Parameters
    ----------
    step : StepRequest
        What is adjusted, at which tone and speed.
    machine : Machine
        The tape recorder. A speed that it does not have is taken to agree with the tape, with a warning.
    tape : CalibrationTape
        The calibration tape; the record side does not use it. A tone that it does not have is taken to be at the
        reference fluxivity, with a warning.

    Returns
    -------
    Target
    """
    if step.adjustment in RECORD_SIDE:
        return _record_side_target(step, machine)
    tone = _tone(step, tape)
    curve = _machine_curve(step.speed_ips, machine, tape)
    fringing_db, fringing_uncertainty_db = _fringing(step, machine, tape)
    same = same_speed(step.speed_ips, tape.speed_ips)
    played = tape.equalization if same else tape.equalization.played_faster(step.speed_ips / tape.speed_ips)
    operating_nwb_per_m = aes7_nwb_per_m(machine.operating_level_nwb_per_m, machine.operating_level_scale)
    equalization_db = played.relative_flux_db(step.tone_hz) - curve.relative_flux_db(step.tone_hz)
    speed_db = 0.0 if same else played.flux_db(1000.0) - tape.equalization.flux_db(1000.0)
    terms_db: dict[str, float] = {
        "fluxivity": difference_db(tape.fluxivity_1khz_nwb_per_m, operating_nwb_per_m),
        "equalization": equalization_db,
        "speed": speed_db,
        "fringing": fringing_db,
        "tape_level": tone.level_db if tone else 0.0,
    }
    uncertainties_db: dict[str, float] = {
        "fluxivity": _fluxivity_uncertainty_db(machine, tape),
        "equalization": min(CURVE_UNCERTAINTY_DB, abs(equalization_db)),
        "speed": min(CURVE_UNCERTAINTY_DB, abs(speed_db)),
        "fringing": fringing_uncertainty_db,
        "tape_level": 0.0 if _is_reference(step, tape, tone) else tape.response_uncertainty_db,
        "user": 0.0,
    }
    warnings = (
        *speed_warnings(step.speed_ips, machine, tape, speed_db),
        *curve_warnings(step.tone_hz, step.speed_ips, played, curve, equalization_db),
        *tone_warnings(step.tone_hz, step.speed_ips, tape, tone),
        *width_warnings(machine, tape),
        *fringing_warnings(
            step.tone_hz,
            step.speed_ips,
            machine,
            tape,
            fringing_db=fringing_db,
            uncertainty_db=fringing_uncertainty_db,
        ),
        *head_warnings(step.adjustment, step.tone_hz, step.speed_ips, machine),
    )
    return _summed(step, terms_db, uncertainties_db, warnings)


def _record_side_target(step: StepRequest, machine: Machine) -> Target:
    terms_db: dict[str, float] = dict.fromkeys(TERMS[:-1], 0.0)
    terms_db["tape_level"] = step.tone_level_db or 0.0
    warnings = (
        *bias_warnings(step.adjustment),
        *head_warnings(step.adjustment, step.tone_hz, step.speed_ips, machine),
    )
    return _summed(step, terms_db, dict.fromkeys(TERMS, 0.0), warnings)


def _summed(
    step: StepRequest,
    terms_db: dict[str, float],
    uncertainties_db: dict[str, float],
    warnings: tuple[TargetWarning, ...],
) -> Target:
    computed_vu = math.fsum(terms_db.values())
    user_db = step.user_db if step.target_vu is None else step.target_vu - computed_vu
    uncertainty_db = math.hypot(*uncertainties_db.values())
    if step.target_vu is not None and step.adjustment not in RECORD_SIDE:
        warnings += hand_warnings(step.target_vu, computed_vu, max(step.tolerance_db, uncertainty_db))
    return Target(
        target_vu=computed_vu + user_db if step.target_vu is None else step.target_vu,
        terms_db=terms_db | {"user": user_db},
        uncertainty_db=uncertainty_db,
        term_uncertainties_db=uncertainties_db,
        warnings=warnings,
    )


def _tone(step: StepRequest, tape: CalibrationTape) -> Tone | None:
    wanted_db = step.tone_level_db or 0.0
    heard = tape.tones_heard(step.tone_hz, step.speed_ips)
    return min(heard, key=lambda tone: abs(tone.level_db - wanted_db), default=None)


def _is_reference(step: StepRequest, tape: CalibrationTape, tone: Tone | None) -> bool:
    reference_hz = tape.reference_hz * step.speed_ips / tape.speed_ips
    return tone is not None and tone.level_db == 0.0 and math.isclose(tone.hz, reference_hz, rel_tol=0.02)


def _machine_curve(speed_ips: float, machine: Machine, tape: CalibrationTape) -> Equalization:
    speed = machine.speed(speed_ips)
    if speed is not None:
        return speed.equalization
    return tape.equalization.played_faster(speed_ips / tape.speed_ips)


def _fluxivity_uncertainty_db(machine: Machine, tape: CalibrationTape) -> float:
    converted = tape.scale != machine.operating_level_scale
    return math.hypot(tape.fluxivity_uncertainty_db, GERMAN_SCALE_UNCERTAINTY_DB if converted else 0.0)


def _fringing(step: StepRequest, machine: Machine, tape: CalibrationTape) -> tuple[float, float]:
    """Return fringing and the half-width of its uncertainty, in dB."""
    if tape.fringing_compensated or not tape.full_track:
        return 0.0, 0.0
    table = tape.fringing or machine.fringing
    if table is not None:
        value_db = table.at_db(step.tone_hz, step.speed_ips)
        beyond_db = 0.0 if table.covers(step.tone_hz, step.speed_ips) else UNCERTAINTY * abs(value_db)
        return value_db, math.hypot(table.uncertainty_db, beyond_db)
    wavelength_mm = wavelength_um(step.tone_hz, step.speed_ips) / 1000.0
    if machine.heads is None:
        unknown = HeadGeometry(machine.tracks, NARROWEST_CORE_MM)
        return 0.0, unknown.middle_estimate_db(wavelength_mm)
    estimate_db = machine.heads.middle_estimate_db(wavelength_mm)
    return estimate_db, UNCERTAINTY * estimate_db
