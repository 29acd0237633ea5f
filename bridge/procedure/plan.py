"""The plan: from a machine and its calibration tapes to the steps in the order of good practice, each with its target.

The order is that of the Handbook for Sound Engineers, chapter 28 (pp. 1096-1097): reproduce side first, against the
calibration tape; then the record side, read through a reproduce side that is right by then. Sync stands between them,
because it needs the calibration tape as well. With tapes for several speeds, all of them are played before anything is
made ready to record. Tolerances and tone levels are common practice, no source.

What has no trimmer on a meter, such as azimuth, is no step: it is advice before the next one, see
`bridge.procedure.advice`.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from bridge.procedure.advice import (
    Advice,
    AtSpeed,
    after_all,
    another_tape,
    before_playback,
    before_recording,
    playback_advice,
    record_advice,
)
from bridge.procedure.steps import Step
from bridge.tape.calibration_tape import CalibrationTape, Tone, tape_for
from bridge.tape.machine import RECORD_SIDE, Adjustment, Machine
from bridge.tape.targets import StepRequest, compute_target, default_speed_ips
from bridge.tape.wavelength import frequency_hz, same_speed

BIAS_WAVELENGTH_UM: Final = 38.1
"""Bias is compared between speeds at one wavelength, 1.5 mil: 10 kHz at 15 in/s (handbook)."""

SHORTEST_HIGH_UM: Final = 19.0
"""The high trimmers are set no shorter than this: 10 kHz down to 7.5 in/s, 5 kHz at 3.75 (common practice)."""

HIGH_HZ: Final = 10_000.0
LEVEL_HZ: Final = 1000.0
LOW_HZ: Final = 100.0
BIAS_LEVEL_DB: Final = -10.0
SLOW_HIGH_LEVEL_DB: Final = -10.0
"""Below 15 in/s a high tone at operating level would saturate the tape; so it is recorded lower (common practice)."""


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


def plan_steps(requests: Iterable[StepRequest], machine: Machine, *tapes: CalibrationTape) -> tuple[Step, ...]:
    """Return the steps of a list that a person wrote, in its order, each for the tape that it is trimmed to."""
    return tuple(plan_step(request, machine, _tape_of(request, tapes)) for request in requests)


def planned_speeds(machine: Machine, tapes: Sequence[CalibrationTape]) -> tuple[float, ...]:
    """Return the speeds that the tapes serve on a machine, in the order of the tapes.

    A tape serves the speed that it was made for, or, when the machine does not have it, the machine's first.
    """
    speeds: list[float] = []
    for tape in tapes:
        speed_ips = default_speed_ips(machine, tape)
        if not any(same_speed(speed_ips, known) for known in speeds):
            speeds.append(speed_ips)
    return tuple(speeds)


def generate_steps(machine: Machine, *tapes: CalibrationTape) -> tuple[Step, ...]:
    """Return the steps that these tapes serve on this machine, in the order of good practice.

    First the reproduce and the sync side at each speed, in the order of the tapes: a calibration tape that is erased
    cannot be had again, so all of them are played and off before any track is made ready. Then the record side at each
    speed. The other speeds of the machine need a tape of their own; the last step says so. A tone that the tapes do not
    have leaves its steps out, and the advice before bias says so.

    Parameters
    ----------
    machine : Machine
        The tape recorder.
    *tapes : CalibrationTape
        The calibration tapes, one or more.

    Returns
    -------
    tuple of Step
    """
    plan = [_at_speed(machine, tapes, speed_ips) for speed_ips in planned_speeds(machine, tapes)]
    steps: list[Step] = []
    for place, at in enumerate(plan):
        requests = list(_tape_requests(at))
        advice = playback_advice(machine, plan, place)
        said = before_playback(machine, plan, place)
        if requests and len(at.tapes) > 1:
            said.append(another_tape(_tape_of(requests[0], tapes), None))
        steps += _planned(requests, machine, tapes, advice, said)
    for place, at in enumerate(plan):
        advice = record_advice(plan, place, BIAS_LEVEL_DB)
        if at is plan[-1]:
            advice["record low"] += after_all(machine, plan)
        steps += _planned(list(_record_requests(at)), machine, tapes, advice, before_recording(machine, plan, place))
    return tuple(steps)


def _planned(
    requests: Sequence[StepRequest],
    machine: Machine,
    tapes: Sequence[CalibrationTape],
    advice: Advice,
    first_of_all: Sequence[str],
) -> Iterator[Step]:
    """Yield steps of one speed with what to do before each, and before the first of them."""
    before = _tape_of(requests[0], tapes) if requests else None
    for number, request in enumerate(requests):
        tape = _tape_of(request, tapes)
        said = [*(first_of_all if number == 0 else ()), *advice.get(request.adjustment, ())]
        if before is not None and tape is not before and request.adjustment not in RECORD_SIDE:
            said.insert(0, another_tape(tape, before))
            before = tape
        yield _honest(plan_step(request, machine, tape, tuple(said)))


def _tape_of(request: StepRequest, tapes: Sequence[CalibrationTape]) -> CalibrationTape:
    return tape_for(tapes, request.speed_ips, request.tone_hz, request.tone_level_db)


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


def _at_speed(machine: Machine, tapes: Sequence[CalibrationTape], speed_ips: float) -> AtSpeed:
    serving = tuple(tape for tape in tapes if same_speed(default_speed_ips(machine, tape), speed_ips))
    heard = [tone for tape in serving for tone in tape.tones_played_at(speed_ips)]
    reference_hz = serving[0].reference_hz * speed_ips / serving[0].speed_ips
    return AtSpeed(
        speed_ips,
        serving,
        _nearest([tone for tone in heard if reference_hz / 4.0 < tone.hz < reference_hz * 4.0], reference_hz),
        _nearest([tone for tone in heard if tone.hz >= reference_hz * 4.0], _highest_hz(speed_ips)),
        _nearest([tone for tone in heard if tone.hz <= reference_hz / 4.0], LOW_HZ),
    )


def _nearest(tones: Iterable[Tone], hz: float) -> Tone | None:
    return min(tones, key=lambda tone: (abs(math.log(tone.hz / hz)), abs(tone.level_db)), default=None)


def _highest_hz(speed_ips: float) -> float:
    return min(HIGH_HZ, 500.0 * round(frequency_hz(SHORTEST_HIGH_UM, speed_ips) / 500.0))


def _tape_requests(at: AtSpeed) -> Iterator[StepRequest]:
    plan: tuple[tuple[Adjustment, Tone | None], ...] = (
        ("repro level", at.level),
        ("repro high", at.high),
        ("repro low", at.low),
        ("sync level", at.level),
        ("sync high", at.high),
        ("sync low", at.low),
    )
    for adjustment, tone in plan:
        if tone is not None:
            yield _request(adjustment, tone.hz, at.speed_ips, tone.level_db)


def _record_requests(at: AtSpeed) -> Iterator[StepRequest]:
    """Yield the record side at the tones of the reproduce side, so that what that was left with can be allowed for."""
    speed_ips = at.speed_ips
    high_hz = at.high.hz if at.high else _highest_hz(speed_ips)
    high_level_db = SLOW_HIGH_LEVEL_DB if speed_ips < 14.9 else 0.0
    bias_hz = round(frequency_hz(BIAS_WAVELENGTH_UM, speed_ips), -1)
    yield _request("bias", bias_hz, speed_ips, BIAS_LEVEL_DB)
    yield _request("record level", at.level.hz if at.level else LEVEL_HZ, speed_ips, 0.0)
    yield _request("record high", high_hz, speed_ips, high_level_db)
    yield _request("record low", at.low.hz if at.low else LOW_HZ, speed_ips, 0.0)


def _request(adjustment: Adjustment, tone_hz: float, speed_ips: float, level_db: float) -> StepRequest:
    tolerance_db = default_tolerance_db(adjustment, tone_hz)
    return StepRequest(adjustment, tone_hz, speed_ips, tolerance_db, tone_level_db=level_db)
