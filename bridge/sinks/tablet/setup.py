"""What does not change while the daemon runs, for the page: settings and steps in, a JSON document out."""

from dataclasses import asdict

from bridge.config.convert import to_tape
from bridge.config.settings import Settings
from bridge.procedure.preparation import CAUTIONS, PREPARATION
from bridge.procedure.setup import Setup
from bridge.procedure.steps import Step
from bridge.tape.calibration_tape import CalibrationTape
from bridge.tape.machine import RECORD_SIDE, path_of
from bridge.words import HELD, STATES, WAYS

JsonObject = dict[str, object]


def setup_document(settings: Settings, setup: Setup) -> JsonObject:
    """Return machine, tape, steps, banks, preparation and cautions."""
    tape = to_tape(settings)
    return {
        "machine": {
            "name": setup.machine,
            "tracks": settings.machine.tracks,
            "operating_level_nwb_per_m": settings.machine.operating_level_nwb_per_m,
        },
        "tape": {
            "name": tape.name,
            "fluxivity_nwb_per_m": tape.fluxivity_nwb_per_m,
            "speed_ips": tape.speed_ips,
            "tones": len(tape.tones),
        },
        "source": settings.audio.source,
        "frames_per_s": settings.osc.frames_per_s,
        "reference_dbfs": settings.audio.reference_dbfs,
        "steps": [_step(number, step, tape) for number, step in enumerate(setup.steps, 1)],
        "banks": [{"number": bank.number, "tracks": bank.tracks, "inputs": bank.inputs} for bank in setup.banks],
        "preparation": [asdict(item) for item in PREPARATION],
        "words": {
            "ways": {sign: way._asdict() for sign, way in WAYS.items()},
            "states": STATES,
            "held": HELD,
        },
        "cautions": [asdict(caution) for caution in CAUTIONS],
    }


def _step(number: int, step: Step, tape: CalibrationTape) -> JsonObject:
    return {
        "number": number,
        "adjustment": step.adjustment,
        "path": path_of(step.adjustment),
        "records": step.adjustment in RECORD_SIDE,
        "tone_hz": step.tone_hz,
        "speed_ips": step.speed_ips,
        "target_vu": step.target_vu,
        "tolerance_db": step.tolerance_db,
        "uncertainty_db": step.target_uncertainty_db,
        "terms_db": dict(step.target_terms_db),
        "warnings": [asdict(warning) for warning in step.target_warnings],
        "advice": step.advice,
        "on_tape": None if step.adjustment in RECORD_SIDE else _on_tape(step, tape),
    }


def _on_tape(step: Step, tape: CalibrationTape) -> JsonObject | None:
    """Return which tone of the tape the step is trimmed to and how long it plays; None when the tape has none."""
    tones = tape.tones_played_at(step.speed_ips)
    heard = tape.tones_heard(step.tone_hz, step.speed_ips)
    if not heard:
        return None
    number = tones.index(heard[0])
    return {
        "number": number + 1,
        "level_db": heard[0].level_db,
        "seconds": heard[0].seconds,
        "starts_s": tape.tone_starts_s(step.speed_ips)[number],
    }
