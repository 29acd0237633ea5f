"""Advice: what a plan has for a machine and its speeds goes in; what a person does before each step comes out.

It is what has no trimmer on a meter: tapes, switches, azimuth. Where nothing else is said it is common practice, no
source; so is what is said of trimmers that serve several speeds.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from bridge.tape.calibration_tape import CalibrationTape, Tone
from bridge.tape.losses import track_delay_s, track_phase_deg
from bridge.tape.machine import Adjustment, Machine
from bridge.tape.wavelength import same_speed

TAPE_AZIMUTH_RAD: Final = 300e-6
"""Tolerance of the azimuth of a calibration tape (McKnight, "Azimuth in a Magnetic Tape Recorder", rev. 2000)."""

Advice = dict[Adjustment, list[str]]
"""What to do before the step of an adjustment, a paragraph each."""


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """What a plan has for one speed: the tapes that serve it, and their tones as heard; None where none suits."""

    speed_ips: float
    tapes: tuple[CalibrationTape, ...]
    level: Tone | None
    high: Tone | None
    low: Tone | None


def playback_advice(machine: Machine, plan: Sequence[AtSpeed], place: int) -> Advice:
    """Return what to do before the steps of the reproduce and sync side at one speed of a plan, by its place, 0…."""
    now = plan[place]
    notes: Advice = {
        "sync level": ["Switch every track to sync. Leave every track safe from recording: the tape is still on."],
    }
    if now.high is None:
        return notes
    first = next(at for at in plan if at.high is not None)
    if first is now:
        notes["repro high"] = [_azimuth_advice(machine, now.high.hz, now.speed_ips)]
    else:
        notes["repro high"] = [
            f"The reproduce head has one azimuth for all speeds, and it was set at {first.speed_ips:g} in/s: only"
            " look at it here. What is turned now undoes the high tones of the speeds before; two calibration tapes may"
            " differ by the tolerance of both."
        ]
    return notes


def before_playback(machine: Machine, plan: Sequence[AtSpeed], place: int) -> list[str]:
    """Return what to do before the first step of the reproduce side at a speed; nothing with one speed alone."""
    now = plan[place]
    if len(plan) == 1:
        return []
    setting = f"set the machine to {now.speed_ips:g} in/s and to its equalization there{_curve(machine, now.speed_ips)}"
    if place == 0:
        return [
            f"This calibration goes over {_listed(plan)} in/s. It begins with {_tape(now)}: {setting}. Every"
            " calibration tape is played before anything is made ready to record."
        ]
    before = plan[place - 1]
    return [
        f"Take off {_tape(before)} and store it tails out. Then {setting}, switch every track back to repro, and see"
        f" once more that every track is safe from recording: only then thread {_tape(now)}.",
        _shared_advice("the level", plan[:place]),
    ]


def record_advice(plan: Sequence[AtSpeed], place: int, bias_level_db: float) -> Advice:
    """Return what to do before the steps of the record side at one speed of a plan."""
    return {
        "bias": [
            "Record head azimuth: record 10 to 15 kHz on the outer tracks and turn for the highest level and equal"
            " phase at the reproduce head, as with the reproduce head before."
            if place == 0
            else f"The record head has one azimuth for all speeds, and it was set at {plan[0].speed_ips:g} in/s: only"
            " look at it here.",
            f"Bias, at {-bias_level_db:g} dB below operating level: turn up from below until the level peaks, then on"
            " until it has dropped by the overbias that the tape's data sheet gives for your record gap and speed.",
        ],
        "record level": ["Feed 0 VU to every input, and check that the input monitor shows 0 VU on every track."],
        "record high": [
            "Match what the reproduce side was left with at this tone, not zero. A smooth middle of the band is worth"
            " more than the last decibel at 15 or 20 kHz."
        ],
        "record low": ["Check the azimuth of the record head once more. Then sweep the low end and set its mean."],
    }


def before_recording(machine: Machine, plan: Sequence[AtSpeed], place: int) -> list[str]:
    """Return what to do before the first step of the record side at a speed, and what its tape had no tone for."""
    now = plan[place]
    suited = (("level", now.level), ("high", now.high), ("low", now.low))
    missing = [f"{path} {name}" for name, tone in suited if tone is None for path in ("repro", "sync")]
    of_speed = f" for {now.speed_ips:g} in/s" if len(plan) > 1 else ""
    said = [f"The calibration tape{of_speed} has no tone to set {', '.join(missing)} by."] if missing else []
    setting = f"et the machine to {now.speed_ips:g} in/s and to its equalization there{_curve(machine, now.speed_ips)}"
    if place == 0:
        off = (
            "Take the calibration tape off, store it tails out, and only then thread the blank tape that the machine is"
            " to be set up for. Make no track ready to record before that."
        )
        setting = f"S{setting}, and switch every track back to repro."
        return [*said, off] if len(plan) == 1 else [*said, off, setting]
    return [
        *said,
        f"The tape that the machine is set up for stays on; s{setting}. No calibration tape may be threaded again"
        " before every track is safe from recording.",
        _shared_advice("the bias or the record level", plan[:place]),
    ]


def after_all(machine: Machine, plan: Sequence[AtSpeed]) -> list[str]:
    """Return what is to be known before the last step: which speeds of the machine the plan does not have."""
    planned = [at.speed_ips for at in plan]
    others = [speed.ips for speed in machine.speeds if not any(same_speed(speed.ips, ips) for ips in planned)]
    if not others:
        return []
    named = " and ".join(f"{ips:g}" for ips in others)
    return [
        f"For {named} in/s, start again with a tape made for that speed.",
        "With that tape as one more [[tape]] in the config, one calibration goes over all these speeds.",
    ]


def another_tape(tape: CalibrationTape, before: CalibrationTape | None) -> str:
    """Say which of several tapes of one speed a step needs, and which one the step before had."""
    if before is None:
        return f"Thread {_named(tape)} first; the other tones of this speed are on another tape."
    return (
        f"This tone is on another tape: take off {_named(before)}, store it tails out, and thread {_named(tape)}. Leave"
        " every track safe from recording."
    )


def _shared_advice(usual: str, before: Sequence[AtSpeed]) -> str:
    """Return what to do where one trimmer serves several speeds; the program cannot see which do."""
    done = f"{_listed(before)} in/s"
    return (
        f"Many machines have some trimmers once for all speeds, often that of {usual}. Such a trimmer, turned here,"
        f" moves what was set at {done}: leave it, or share the difference out, and then do its step at {done} again."
    )


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


def _tape(at: AtSpeed) -> str:
    names = " and ".join(f'"{tape.name}"' for tape in at.tapes if tape.name)
    return f"the calibration tape for {at.speed_ips:g} in/s{f', {names}' if names else ''}"


def _named(tape: CalibrationTape) -> str:
    return f'"{tape.name}"' if tape.name else f"the tape of {tape.fluxivity_nwb_per_m:g} nWb/m"


def _curve(machine: Machine, speed_ips: float) -> str:
    speed = machine.speed(speed_ips)
    return "" if speed is None else f", {speed.equalization.constants}"


def _listed(plan: Sequence[AtSpeed]) -> str:
    return " and ".join(f"{at.speed_ips:g}" for at in plan)
