"""What does not change while the daemon runs, for the page: settings and steps in, a JSON document out."""

from collections.abc import Sequence
from dataclasses import asdict

from bridge.config.convert import to_tapes
from bridge.config.settings import Settings
from bridge.procedure.preparation import CAUTIONS, PREPARATION
from bridge.procedure.setup import Setup
from bridge.procedure.steps import Step
from bridge.tape.calibration_tape import CalibrationTape, tape_for
from bridge.tape.machine import RECORD_SIDE, path_of
from bridge.words import BY_HAND, FOLLOWING, HELD, RELEASED, STATES, STAYING, STAYS, WAYS

JsonObject = dict[str, object]


def setup_document(settings: Settings, setup: Setup) -> JsonObject:
    """Return machine, tapes, steps, banks, preparation and cautions."""
    tapes = to_tapes(settings)
    return {
        "machine": {
            "name": setup.machine,
            "tracks": settings.machine.tracks,
            "operating_level_nwb_per_m": settings.machine.operating_level_nwb_per_m,
        },
        "tapes": [
            {"name": tape.name, "fluxivity_nwb_per_m": tape.fluxivity_nwb_per_m, "speed_ips": tape.speed_ips}
            for tape in tapes
        ],
        "source": settings.audio.source,
        "frames_per_s": settings.osc.frames_per_s,
        "reference_dbfs": settings.audio.reference_dbfs,
        "steps": [_step(number, step, tapes) for number, step in enumerate(setup.steps, 1)],
        "banks": [{"number": bank.number, "tracks": bank.tracks, "inputs": bank.inputs} for bank in setup.banks],
        "preparation": [asdict(item) for item in PREPARATION],
        "words": {
            "ways": {sign: way._asdict() for sign, way in WAYS.items()},
            "states": STATES,
            "held": HELD,
            "released": RELEASED,
            "by_hand": BY_HAND,
            "stays": STAYS,
            "staying": STAYING,
            "following": FOLLOWING,
        },
        "cautions": [asdict(caution) for caution in CAUTIONS],
    }


def _step(number: int, step: Step, tapes: Sequence[CalibrationTape]) -> JsonObject:
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
        "on_tape": None if step.adjustment in RECORD_SIDE else _on_tape(step, tapes),
    }


def _on_tape(step: Step, tapes: Sequence[CalibrationTape]) -> JsonObject | None:
    """Return which tone of which tape the step is trimmed to and how long it plays; None when no tape has it."""
    level_db = step.target_terms_db.get("tape_level", 0.0)
    tape = tape_for(tapes, step.speed_ips, step.tone_hz, level_db)
    tones = tape.tones_played_at(step.speed_ips)
    heard = tape.tones_heard(step.tone_hz, step.speed_ips)
    if not heard:
        return None
    tone = min(heard, key=lambda one: abs(one.level_db - level_db))
    number = tones.index(tone)
    return {
        "tape": tape.name,
        "number": number + 1,
        "of": len(tones),
        "level_db": tone.level_db,
        "seconds": tone.seconds,
        "starts_s": tape.tone_starts_s(step.speed_ips)[number],
    }
