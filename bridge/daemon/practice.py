"""What a person does to the simulated recorder: commands in; why they cannot be done, or nothing, out."""

from bridge.procedure.commands import ListenTo, PlayTone, Practice, TurnTrimmer
from bridge.source.simulated import Simulated
from bridge.tape.machine import ADJUSTMENTS, PATHS


def practise(recorder: Simulated, command: Practice) -> str | None:
    """Do a command to the simulated recorder; return why not, or None."""
    try:
        match command:
            case TurnTrimmer(track, adjustment, share):
                if adjustment not in ADJUSTMENTS:
                    return f"there is no trimmer {adjustment}: there are {', '.join(ADJUSTMENTS)}"
                recorder.turn(track, adjustment, share)
            case PlayTone(hz):
                recorder.tape_to_tone(hz)
            case ListenTo(path):
                if path not in PATHS:
                    return f"there is no path {path}: there are {', '.join(PATHS)}"
                recorder.select_path(path)
    except (ValueError, LookupError) as error:
        return str(error)
    return None
