"""A MIDI message bound by playing it: the command `learn` shows what arrives and writes one of it into the config."""

from pathlib import Path
from typing import Any, Final, get_args

from bridge.cli.binding import Binding
from bridge.cli.console import Console, at_terminal
from bridge.cli.failures import FailedError
from bridge.cli.midi_sources import Heard, Source
from bridge.cli.questions import Questions, whole
from bridge.config.convert import to_banks, to_steps
from bridge.config.edit import EditRefusedError, fingerprint, write_entry
from bridge.config.faults import ConfigFaults
from bridge.config.load import load
from bridge.config.midi_checks import PRACTICE_COMMANDS, TAPE_COMMANDS
from bridge.config.midi_settings import MidiCommand
from bridge.config.settings import Settings
from bridge.wire.midi_ports import MidiPorts

MEANINGS: Final[dict[MidiCommand, str]] = {
    "next": "go to the next step",
    "back": "go to the step before",
    "repeat": "repeat the step",
    "step": "go to a step",
    "bank": "say which bank is patched",
    "focus": "choose a track",
    "hold": "hold: nothing logs itself",
    "go on": "end the hold: trims log themselves again",
    "hold or go on": "hold, and go on at the next press",
    "follow": "follow the tape to the step of its tone",
    "stay": "stay at the step, whatever tone plays",
    "follow or stay": "stay at the step, and follow the tape again at the next press",
    "log": "log a track now: the one in focus, or always the same",
    "undo": "withdraw the newest trim; it stays in the log, marked",
    "reinstate": "let the newest trim stand again",
    "note": "write a note into the log",
    "confirm": "confirm an item of the preparation",
    "take back": "take back the confirmation of an item",
    "finish": "end the calibration and begin the next",
    "tape stop": "stop the recorder",
    "tape play": "let the recorder play",
    "tape to tone": "wind to the tone of the step",
    "practice turn": "turn a trimmer of the simulated recorder",
    "practice tone": "play the tone of the step on the simulated recorder, or another one",
    "practice path": "switch the simulated recorder to a path",
}
"""What each command does, as a person chooses it."""


def learn_binding(path: Path) -> None:
    """Listen, ask what the message shall do, and write it into the config."""
    try:
        seen = fingerprint(path)
    except EditRefusedError as error:
        # What cannot be read is a fault of the config, and told as every other.
        load(path, source_needed=False)
        raise FailedError(str(error)) from None
    loaded = load(path, source_needed=False)
    console = at_terminal()
    heard = Heard()
    ports = MidiPorts([""], [], loaded.midi.system, heard.receive)
    if ports.state == "failed":
        raise FailedError(ports.problem)
    ports.start()
    try:
        entry = _asked(Questions(path, console), heard, loaded)
    except (KeyboardInterrupt, EOFError):
        console.say("")
        raise FailedError("stopped; nothing was written") from None
    finally:
        ports.stop()
    try:
        backup = write_entry(path, ("midi", "bind"), entry, seen)
        load(path, source_needed=False)
    except (EditRefusedError, ConfigFaults) as error:
        raise FailedError(str(error)) from None
    console.say(f"written into {path}; the file as it was is {backup}. It acts from the next start of trimbridge.")


def _asked(questions: Questions, heard: Heard, settings: Settings) -> dict[str, Any]:
    """Return the keys of the new binding."""
    console = questions.console
    console.say("Press, turn or move what you want to bind. Every MIDI input of this computer is heard.")
    console.say("Ctrl-C quits, and nothing is written.")
    source = questions.until_right(lambda: _source(console, heard))
    console.say(f"{source}")
    commands = _commands(settings)
    chosen = questions.choose("What shall it do", [f"{command}: {MEANINGS[command]}" for command in commands])
    there_are = {
        "step": len(to_steps(settings)),
        "bank": len(to_banks(settings)),
        "track": settings.machine.tracks,
    }
    return Binding(questions, source, commands[chosen], settings.midi, there_are).asked()


def _commands(settings: Settings) -> list[MidiCommand]:
    """Return what can be done with this config."""
    kept_back: tuple[str, ...] = () if settings.midi.machine_control else TAPE_COMMANDS
    if settings.audio.source != "simulated":
        kept_back += PRACTICE_COMMANDS
    return [command for command in get_args(MidiCommand) if command not in kept_back]


def _source(console: Console, heard: Heard) -> Source:
    said = console.watch(heard.picture, "Which one? Enter takes the newest")
    newest = heard.newest
    if not newest:
        raise ValueError("nothing has arrived: is the box on, and in the list of `trimbridge inputs`?")
    number = whole(said) if said else 1
    if not 1 <= number <= len(newest):
        raise ValueError(f"{number}: must be a number from 1 to {len(newest)}, that of a line above")
    return newest[number - 1]
