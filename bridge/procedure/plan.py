"""The plan: from a machine and a calibration tape to the steps in the order of good practice, each with its target.

The order is that of the Handbook for Sound Engineers, chapter 28 (pp. 1096-1097): reproduce side first, against the
calibration tape; then the record side, read through a reproduce side that is right by then. Sync stands between them,
because it needs the calibration tape as well. Tolerances and tone levels are common practice, no source.

What has no trimmer on a meter, such as azimuth, is no step: it is advice before the next one.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from bridge.procedure.steps import Step
from bridge.tape.calibration_tape import CalibrationTape, Tone
from bridge.tape.losses import track_delay_s, track_phase_deg
from bridge.tape.machine import Adjustment, Machine
from bridge.tape.targets import StepRequest, compute_target, default_speed_ips
from bridge.tape.wavelength import frequency_hz, same_speed

BIAS_WAVELENGTH_UM: Final = 38.1
"""Bias is compared between speeds at one wavelength, 1.5 mil: 10 kHz at 15 in/s (handbook)."""

SHORTEST_HIGH_UM: Final = 19.0
"""The high trimmers are set no shorter than this: 10 kHz down to 7.5 in/s, 5 kHz at 3.75 (common practice)."""

TAPE_AZIMUTH_RAD: Final = 300e-6
"""Tolerance of the azimuth of a calibration tape (McKnight, "Azimuth in a Magnetic Tape Recorder", rev. 2000)."""

HIGH_HZ: Final = 10_000.0
LEVEL_HZ: Final = 1000.0
LOW_HZ: Final = 100.0
BIAS_LEVEL_DB: Final = -10.0
SLOW_HIGH_LEVEL_DB: Final = -10.0
"""Below 15 in/s a high tone at operating level would saturate the tape; so it is recorded lower (common practice)."""


@dataclass(frozen=True, slots=True)
class _Tones:
    """The tones of the plan as heard; None where the tape has none that suits."""

    level: Tone | None
    high: Tone | None
    low: Tone | None


def plan_step(request: StepRequest, machine: Machine, tape: CalibrationTape, advice: tuple[str, ...] = ()) -> Step:
    """Return the step that a request asks for, with its target."""
    target = compute_target(request, machine, tape)
    return Step(
        adjustment=request.adjustment,
        tone_hz=request.tone_hz,
        speed_ips=request.speed_ips,
        target_vu=target.target_vu,
        tolerance_db=request.tolerance_db,
        target_terms_db=target.terms_db,
        target_uncertainty_db=target.uncertainty_db,
        target_warnings=target.warnings,
        advice=advice,
    )


def plan_steps(requests: Iterable[StepRequest], machine: Machine, tape: CalibrationTape) -> tuple[Step, ...]:
    """Return the steps of a list that a person wrote, in its order."""
    return tuple(plan_step(request, machine, tape) for request in requests)


def generate_steps(machine: Machine, tape: CalibrationTape) -> tuple[Step, ...]:
    """Return the steps that this tape serves on this machine, in the order of good practice.

    They are for one speed: that of the tape, or, when the machine does not have it, the machine's first. The other
    speeds of the machine need a tape of their own; the last step says so. A tone that the tape does not have leaves its
    steps out, and the advice before bias says so.

    Parameters
    ----------
    machine : Machine
        The tape recorder.
    tape : CalibrationTape
        The calibration tape.

    Returns
    -------
    tuple of Step
    """
    speed_ips = default_speed_ips(machine, tape)
    tones = _tape_tones(tape, speed_ips)
    advice = _advice(machine, tones, speed_ips)
    return tuple(
        _honest(plan_step(request, machine, tape, tuple(advice.get(request.adjustment, ()))))
        for request in (*_tape_requests(tones, speed_ips), *_record_requests(tones, speed_ips))
    )


def _honest(step: Step) -> Step:
    """Return a low step whose target is a guess with a tolerance as wide as the guess, and with what to do instead.

    Fringing that is only estimated is no target to pass or fail (McKnight, JAES 26(4), 1978, says in its abstract that
    it cannot be computed accurately at the lowest frequencies).
    """
    guessed = any(warning.code == "fringing_estimated" for warning in step.target_warnings)
    if not (guessed and step.adjustment.endswith(" low")) or step.target_uncertainty_db <= step.tolerance_db:
        return step
    wide_db = math.ceil(step.target_uncertainty_db * 10.0) / 10.0
    said = (
        f"This target is an estimate, give or take {step.target_uncertainty_db:.2f} dB: look here only for a track that"
        " differs from the others, and set the low end by recording, in the step record low; or measure the fringing"
        " and give its table."
    )
    return replace(step, tolerance_db=wide_db, advice=(*step.advice, said))


def default_tolerance_db(adjustment: Adjustment, tone_hz: float) -> float:
    """Return a usual tolerance for a step (common practice, no source)."""
    if adjustment in ("repro level", "record level"):
        return 0.1
    if adjustment == "sync level":
        return 0.25
    if tone_hz < LOW_HZ:
        return 1.5
    return 0.5 if tone_hz <= HIGH_HZ else 1.0


def _tape_tones(tape: CalibrationTape, speed_ips: float) -> _Tones:
    heard = tape.tones_played_at(speed_ips)
    reference_hz = tape.reference_hz * speed_ips / tape.speed_ips
    return _Tones(
        _nearest([tone for tone in heard if reference_hz / 4.0 < tone.hz < reference_hz * 4.0], reference_hz),
        _nearest([tone for tone in heard if tone.hz >= reference_hz * 4.0], _highest_hz(speed_ips)),
        _nearest([tone for tone in heard if tone.hz <= reference_hz / 4.0], LOW_HZ),
    )


def _nearest(tones: Iterable[Tone], hz: float) -> Tone | None:
    return min(tones, key=lambda tone: (abs(math.log(tone.hz / hz)), abs(tone.level_db)), default=None)


def _highest_hz(speed_ips: float) -> float:
    return min(HIGH_HZ, 500.0 * round(frequency_hz(SHORTEST_HIGH_UM, speed_ips) / 500.0))


def _tape_requests(tones: _Tones, speed_ips: float) -> Iterator[StepRequest]:
    plan: tuple[tuple[Adjustment, Tone | None], ...] = (
        ("repro level", tones.level),
        ("repro high", tones.high),
        ("repro low", tones.low),
        ("sync level", tones.level),
        ("sync high", tones.high),
        ("sync low", tones.low),
    )
    for adjustment, tone in plan:
        if tone is not None:
            yield _request(adjustment, tone.hz, speed_ips, tone.level_db)


def _record_requests(tones: _Tones, speed_ips: float) -> Iterator[StepRequest]:
    """Yield the record side at the tones of the reproduce side, so that what that was left with can be allowed for."""
    high_hz = tones.high.hz if tones.high else _highest_hz(speed_ips)
    high_level_db = SLOW_HIGH_LEVEL_DB if speed_ips < 14.9 else 0.0
    bias_hz = round(frequency_hz(BIAS_WAVELENGTH_UM, speed_ips), -1)
    yield _request("bias", bias_hz, speed_ips, BIAS_LEVEL_DB)
    yield _request("record level", tones.level.hz if tones.level else LEVEL_HZ, speed_ips, 0.0)
    yield _request("record high", high_hz, speed_ips, high_level_db)
    yield _request("record low", tones.low.hz if tones.low else LOW_HZ, speed_ips, 0.0)


def _request(adjustment: Adjustment, tone_hz: float, speed_ips: float, level_db: float) -> StepRequest:
    tolerance_db = default_tolerance_db(adjustment, tone_hz)
    return StepRequest(adjustment, tone_hz, speed_ips, tolerance_db, tone_level_db=level_db)


def _advice(machine: Machine, tones: _Tones, speed_ips: float) -> dict[Adjustment, list[str]]:
    """Return what to do before each step."""
    high_hz = tones.high.hz if tones.high else None
    notes: dict[Adjustment, list[str]] = {
        "sync level": ["Switch every track to sync. Leave every track safe from recording: the tape is still on."],
        "bias": [
            "Take the calibration tape off, store it tails out, and only then thread the blank tape that the machine is"
            " to be set up for. Make no track ready to record before that.",
            "Record head azimuth: record 10 to 15 kHz on the outer tracks and turn for the highest level and equal"
            " phase at the reproduce head, as with the reproduce head before.",
            f"Bias, at {-BIAS_LEVEL_DB:g} dB below operating level: turn up from below until the level peaks, then on"
            " until it has dropped by the overbias that the tape's data sheet gives for your record gap and speed.",
        ],
        "record level": ["Feed 0 VU to every input, and check that the input monitor shows 0 VU on every track."],
        "record high": [
            "Match what the reproduce side was left with at this tone, not zero. A smooth middle of the band is worth"
            " more than the last decibel at 15 or 20 kHz."
        ],
        "record low": ["Check the azimuth of the record head once more. Then sweep the low end and set its mean."],
    }
    if high_hz is not None:
        notes["repro high"] = [_azimuth_advice(machine, high_hz, speed_ips)]
    suited = (("level", tones.level), ("high", tones.high), ("low", tones.low))
    if missing := [f"{path} {name}" for name, tone in suited if tone is None for path in ("repro", "sync")]:
        notes["bias"].insert(0, f"The calibration tape has no tone to set {', '.join(missing)} by.")
    others = [f"{speed.ips:g}" for speed in machine.speeds if not same_speed(speed.ips, speed_ips)]
    if others:
        notes["record low"].append(f"For {' and '.join(others)} in/s, start again with a tape made for that speed.")
    return notes


def _azimuth_advice(machine: Machine, high_hz: float, speed_ips: float) -> str:
    text = (
        f"Reproduce azimuth: at {high_hz:g} Hz turn the azimuth of the head for the highest level, then for equal phase"
        " of the outer tracks. One tone alone repeats every 360°: start at a low tone, check several on the way up."
    )
    if machine.track_pitch_mm is None or machine.tracks < 2:
        return text
    spacing_mm = (machine.tracks - 1) * machine.track_pitch_mm
    phase_deg = track_phase_deg(high_hz, track_delay_s(spacing_mm, TAPE_AZIMUTH_RAD, speed_ips))
    return (
        f"{text} The tolerance of a calibration tape alone, 300 µrad, is {phase_deg:.0f}° here: it sets nothing finer."
    )
