"""What a person does to the simulated recorder: commands in; why they cannot be done, or nothing, out."""

from typing import Final

from bridge.procedure.commands import (
    FOREIGN,
    ListenTo,
    MovePlayback,
    PlayForeign,
    PlayForeignTone,
    PlayTone,
    Practice,
    TurnTrimmer,
)
from bridge.source.foreign import foreign, foreign_tone
from bridge.source.simulated import Simulated
from bridge.tape.machine import ADJUSTMENTS, PATHS

SAME: Final = 0.03
"""A tone so near to one of the tape is taken for it, as by the procedure."""


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
            case MovePlayback(gain_db):
                recorder.set_playback(gain_db)
            case PlayForeignTone(hz):
                if any(abs(tone_hz - hz) <= SAME * hz for tone_hz in recorder.tones_hz):
                    return f"{hz:g} Hz is a tone of the tape: /practice/tone winds to it"
                recorder.play_foreign(foreign_tone(hz))
            case PlayForeign(what):
                if what not in FOREIGN:
                    return f"there is no {what} to play: there are {', '.join(FOREIGN)}"
                recorder.play_foreign(foreign(what))
    except (ValueError, LookupError) as error:
        return str(error)
    return None
