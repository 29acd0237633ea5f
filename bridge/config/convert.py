"""From settings to what the stages are made of: machine, calibration tape, steps, banks."""

from bridge.config.settings import EqualizationSetting, FringingSettings, Settings, TapeSettings, TimeConstants
from bridge.procedure.bank import Bank
from bridge.procedure.plan import generate_steps, plan_steps, planned_speeds
from bridge.procedure.steps import Step
from bridge.tape.calibration_tape import CalibrationTape, Tone
from bridge.tape.equalization import Equalization
from bridge.tape.fringing import FringingTable
from bridge.tape.machine import Machine, Speed
from bridge.tape.targets import StepRequest


def to_equalization(setting: EqualizationSetting, speed_ips: float) -> Equalization:
    """Return the equalization that a setting means at a speed.

    Raises
    ------
    TapeError
        When the curve is not defined at that speed, or the time constants make no curve.
    """
    if isinstance(setting, TimeConstants):
        return Equalization.free(setting.hf_us, setting.lf_us)
    return Equalization.named(setting, speed_ips)


def to_machine(settings: Settings) -> Machine:
    """Return the machine.

    Raises
    ------
    TapeError
        For figures that no machine can have; never for settings that came from `bridge.config.load`.
    """
    machine = settings.machine
    return Machine(
        name=machine.name,
        tracks=machine.tracks,
        operating_level_nwb_per_m=machine.operating_level_nwb_per_m,
        track_width_mm=machine.track_width_mm,
        track_pitch_mm=machine.track_pitch_mm,
        speeds=tuple(Speed(speed.ips, to_equalization(speed.equalization, speed.ips)) for speed in machine.speeds),
        operating_level_scale=machine.operating_level_scale,
        tape_width_mm=machine.tape_width_mm,
        repro_gap_um=machine.repro_gap_um,
        sync_gap_um=machine.sync_gap_um,
        fringing=_fringing(machine.fringing),
    )


def to_tapes(settings: Settings) -> tuple[CalibrationTape, ...]:
    """Return the calibration tapes in their order, one at least.

    Raises
    ------
    TapeError
        For figures that no tape can have; never for settings that came from `bridge.config.load`.
    """
    return tuple(map(to_tape, settings.tapes))


def to_tape(tape: TapeSettings) -> CalibrationTape:
    """Return one calibration tape.

    Raises
    ------
    TapeError
        As of `to_tapes`.
    """
    return CalibrationTape(
        fluxivity_nwb_per_m=tape.fluxivity_nwb_per_m,
        speed_ips=tape.speed_ips,
        equalization=to_equalization(tape.equalization, tape.speed_ips),
        tones=tuple(Tone(tone.hz, tone.level_db, tone.seconds) for tone in tape.tones),
        scale=tape.scale,
        reference_hz=tape.reference_hz,
        full_track=tape.full_track,
        fringing_compensated=tape.fringing_compensated,
        name=tape.name,
        track_width_mm=tape.track_width_mm,
        fringing=_fringing(tape.fringing),
        fluxivity_uncertainty_db=tape.fluxivity_uncertainty_db,
        response_uncertainty_db=tape.response_uncertainty_db,
    )


def _fringing(setting: FringingSettings | None) -> FringingTable | None:
    return None if setting is None else FringingTable(setting.speed_ips, setting.points, setting.uncertainty_db)


def to_steps(settings: Settings) -> tuple[Step, ...]:
    """Return the steps of the config, in its order, or those of good practice when it has none; with their targets."""
    machine, tapes = to_machine(settings), to_tapes(settings)
    if not settings.step:
        return generate_steps(machine, *tapes)
    default_ips = planned_speeds(machine, tapes)[0]
    requests = (
        StepRequest(
            adjustment=step.adjustment,
            tone_hz=step.tone_hz,
            speed_ips=default_ips if step.speed_ips is None else step.speed_ips,
            tolerance_db=step.tolerance_db,
            target_vu=step.target_vu,
            user_db=step.user_db,
            tone_level_db=step.tone_level_db,
        )
        for step in settings.step
    )
    return plan_steps(requests, machine, *tapes)


def to_banks(settings: Settings) -> tuple[Bank, ...]:
    """Return the banks, at least one: without a patching of its own each track is on the input of its number."""
    identity = tuple((track, track) for track in range(1, settings.machine.tracks + 1))
    return tuple(
        Bank(number, tuple(track for track, _ in pairs), tuple(at for _, at in pairs))
        for number, pairs in enumerate(settings.audio.banks or (identity,), start=1)
    )
