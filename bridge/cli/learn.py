"""A MIDI message bound by playing it: the command `learn` shows what arrives and writes one of it into the config."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, get_args

from bridge.cli.console import Console, at_terminal
from bridge.cli.failures import FailedError
from bridge.cli.questions import Questions, number, whole
from bridge.config.edit import EditRefusedError, fingerprint, write_entry
from bridge.config.faults import ConfigFaults
from bridge.config.load import load
from bridge.config.midi_checks import (
    CONFIRMATIONS,
    NUMBERED,
    PRACTICE_COMMANDS,
    TAPE_COMMANDS,
    VALUED,
    WITH_ARGUMENT,
    midi_findings,
)
from bridge.config.midi_settings import MidiBindSettings, MidiCommand, MidiSettings
from bridge.procedure.preparation import PREPARATION
from bridge.tape.machine import ADJUSTMENTS, PATHS
from bridge.wire.midi import stable_part
from bridge.wire.midi_messages import MessageReader, MidiMessage
from bridge.wire.midi_ports import MidiPorts

ROWS: Final = 10
"""Sources that are shown: the newest; a person moves one thing at a time."""

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


@dataclass(slots=True)
class Source:
    """One switch, pad or controller that was moved: all messages of one kind, channel and number of one input."""

    port: str
    message: MidiMessage
    values: list[int] = field(default_factory=list)
    turned: bool = False
    count: int = 0

    def __str__(self) -> str:
        shown = MidiMessage(self.message.kind, self.message.channel, self.message.number, data=self.message.data)
        values = f"values {min(self.values)} to {max(self.values)}" if self.values else ""
        return f"{stable_part(self.port)}: {shown}  {values}  {self.count}×"


class Heard:
    """What has arrived, the newest last. Taken in one thread, looked at from another."""

    def __init__(self) -> None:
        self._readers: dict[str, MessageReader] = {}
        self._sources: dict[tuple[object, ...], Source] = {}

    def receive(self, port: str, data: bytes, at_s: float) -> None:  # noqa: ARG002 - only the order counts
        """Take bytes of an input."""
        reader = self._readers.setdefault(port, MessageReader())
        for whole_message in reader.whole(data):
            for message in reader.named(whole_message):
                if message.kind == "control 14 bit" and not _has_lower_half(self._sources, port, message):
                    continue
                key = (port, message.kind, message.channel, message.number, message.data)
                source = self._sources.pop(key, None) or Source(port, message)
                source.count += 1
                source.turned |= message.turned != 0
                if message.value >= 0 and message.value not in source.values:
                    source.values.append(message.value)
                # At the end of the order: a new mapping, for whoever looks at the old one.
                self._sources = {**self._sources, key: source}

    @property
    def newest(self) -> list[Source]:
        """The sources that moved last, the newest first."""
        return list(self._sources.values())[: -ROWS - 1 : -1]

    def picture(self) -> list[str]:
        """Return the newest sources as lines."""
        rows = [f"  {number:2}  {source}" for number, source in enumerate(self.newest, start=1)] or [
            "  nothing has arrived yet"
        ]
        return [f"{row:<90}"[:100] for row in (rows + [""] * ROWS)[:ROWS]]


def _has_lower_half(sources: dict[tuple[object, ...], Source], port: str, message: MidiMessage) -> bool:
    """Return whether a controller below 32 has ever sent its lower half: only then it has 14 bits."""
    return (port, "control", message.channel, message.number + 32, b"") in sources


def learn_binding(path: Path) -> None:
    """Listen, ask what the message shall do, and write it into the config."""
    try:
        seen = fingerprint(path)
    except EditRefusedError as error:
        # What cannot be read is a fault of the config, and told as every other.
        load(path, source_needed=False)
        raise FailedError(str(error)) from None
    loaded = load(path, source_needed=False)
    settings = loaded.midi
    kept_back: tuple[str, ...] = () if settings.machine_control else TAPE_COMMANDS
    if loaded.audio.source != "simulated":
        kept_back += PRACTICE_COMMANDS
    commands = [command for command in get_args(MidiCommand) if command not in kept_back]
    console = at_terminal()
    heard = Heard()
    ports = MidiPorts([""], [], settings.system, heard.receive)
    if ports.state == "failed":
        raise FailedError(ports.problem)
    ports.start()
    try:
        entry = _asked(Questions(path, console), console, heard, settings, commands)
    except (KeyboardInterrupt, EOFError):
        raise FailedError("stopped; nothing was written") from None
    finally:
        ports.stop()
    try:
        backup = write_entry(path, ("midi", "bind"), entry, seen)
        load(path, source_needed=False)
    except (EditRefusedError, ConfigFaults) as error:
        raise FailedError(str(error)) from None
    console.say(f"written into {path}; the file as it was is {backup}. It acts from the next start of trimbridge.")


def _asked(
    questions: Questions, console: Console, heard: Heard, settings: MidiSettings, commands: Sequence[MidiCommand]
) -> dict[str, Any]:
    """Return the keys of the new binding."""
    console.say("Press, turn or move what you want to bind. Every MIDI input of this computer is heard.")
    console.say("Ctrl-C quits, and nothing is written.")
    source = questions.until_right(lambda: _source(console, heard))
    console.say(f"{source}")
    chosen = questions.choose("What shall it do", [f"{command}: {MEANINGS[command]}" for command in commands])
    return questions.until_right(lambda: _completed(console, source, commands[chosen], settings))


def _source(console: Console, heard: Heard) -> Source:
    said = console.watch(heard.picture, "Which one? Enter takes the newest")
    newest = heard.newest
    if not newest:
        raise ValueError("nothing has arrived: is the box on, and in the list of `trimbridge inputs`?")
    number = whole(said) if said else 1
    if not 1 <= number <= len(newest):
        raise ValueError(f"a number from 1 to {len(newest)}")
    return newest[number - 1]


def _completed(console: Console, source: Source, command: MidiCommand, settings: MidiSettings) -> dict[str, Any]:
    """Ask for what the command needs, and return the keys of a binding that makes sense."""
    message = source.message
    entry: dict[str, Any] = {"port": stable_part(source.port), "message": message.kind}
    if message.channel:
        entry["channel"] = message.channel
    if message.number >= 0:
        entry["number"] = message.number
    if message.data:
        entry["data"] = message.data.hex(" ").upper()
    entry["command"] = command
    _ask_for_command(console, source, command, entry)
    if "take" not in entry and message.kind in VALUED:
        _ask_switch(console, source, entry)
    return checked(entry, settings)


def _ask_for_command(console: Console, source: Source, command: MidiCommand, entry: dict[str, Any]) -> None:
    if command in WITH_ARGUMENT:
        _ask_argument(console, source, command, entry)
    elif command == "note":
        entry["text"] = console.ask("What is written into the log", "")
    elif command in CONFIRMATIONS:
        entry["text"] = console.ask(f"Which item: {', '.join(item.key for item in PREPARATION)}", "")
        entry["who"] = console.ask("Who does it", "")
    elif command == "practice tone":
        if hz := console.ask("Which tone, in Hz; Enter = that of the step", ""):
            entry["hz"] = number(hz)
    elif command == "practice path":
        entry["text"] = console.ask(f"Which path: {', '.join(PATHS)}", PATHS[0])


def _ask_switch(console: Console, source: Source, entry: dict[str, Any]) -> None:
    kind = console.ask("Momentary (acts when pressed) or latching (each click acts)", "momentary")
    if kind not in ("momentary", "latching"):
        raise ValueError("momentary or latching")
    if kind == "latching":
        entry["switch"] = kind
    elif _opens_when_pressed(source):
        entry |= {"lowest_value": 0, "highest_value": 63}
    if lowest := _lowest_pressed(source):
        entry["lowest_value"] = lowest


def _opens_when_pressed(source: Source) -> bool:
    """Return whether a switch said a low value first: foot switches are wired either way."""
    first = source.values[:2]
    return source.message.kind == "control" and len(first) == 2 and first[0] < 64 <= first[1]


def _lowest_pressed(source: Source) -> int:
    """Return from which value a switch that never reaches the upper half counts as pressed; 0 = as usual."""
    highest, reached = source.message.highest_value, max(source.values, default=0)
    if source.message.kind == "note" or not 0 < reached <= highest // 2:
        return 0
    return (reached + 1) // 2


def _ask_argument(console: Console, source: Source, command: MidiCommand, entry: dict[str, Any]) -> None:
    kind = source.message.kind
    ways = _ways(source, command)
    what = {"step": "Which step", "bank": "Which bank", "focus": "Which track (0: whichever moves)"}.get(
        command, "Which track"
    )
    focus = "; Enter = the one in focus" if command in ("log", "practice turn") else ""
    said = console.ask(f"{what}: its number{''.join(f', {way}' for way in ways)}{focus}", _guessed(source, command))
    if command == "practice turn":
        _ask_trimmer(console, entry)
    if not said:
        return
    if said not in ways:
        entry["argument"] = whole(said)
        return
    entry["take"] = said
    if said == "number":
        first = whole(console.ask(f"What is number {source.message.number}", "1"))
        last = whole(console.ask("Up to which number do the others follow", str(source.message.number)))
        if last < source.message.number:
            raise ValueError(f"the last number of the row, {source.message.number} or above")
        entry["offset"] = first - source.message.number
        if kind == "program":
            del entry["number"]  # every program chooses, not only the one that was sent
        elif last != source.message.number:
            entry["last_number"] = last
    elif said == "turn" and kind == "control":
        left = "A click to the left is: two's complement (127), offset 64 (63), sign and size (65)"
        entry["encoder"] = console.ask(left, _encoder(source.values))


def _ask_trimmer(console: Console, entry: dict[str, Any]) -> None:
    if trimmer := console.ask(f"Which trimmer: {', '.join(ADJUSTMENTS)}; Enter = that of the step", ""):
        entry["text"] = trimmer
    entry["share"] = number(console.ask("By which share of its travel, -1 to 1; below 0 is to the left", "0.02"))


def _ways(source: Source, command: MidiCommand) -> tuple[str, ...]:
    kind = source.message.kind
    ways = ["number"] if kind in NUMBERED else []
    if kind in VALUED and command != "practice turn":
        ways += ["value", "range"]
    if (kind == "control" or source.turned) and command != "log":
        ways.append("turn")
    return tuple(ways)


def _guessed(source: Source, command: MidiCommand) -> str:
    """Return what a person most likely wants of the argument, from how the source moved."""
    turns = "turn" in _ways(source, command)
    if command == "log" or (command == "practice turn" and not turns):
        return ""
    kind, values = source.message.kind, source.values
    if kind in ("program", "song select"):
        return "number"
    if kind == "note":
        return "number" if command == "focus" else "1"
    if turns and (source.turned or (values and all(value in _AROUND_A_CLICK for value in values))):
        return "turn"
    if command == "practice turn":
        return ""
    return "range" if len(values) > 2 else "1"


_AROUND_A_CLICK: Final = frozenset({1, 2, 3, 61, 62, 63, 65, 66, 67, 125, 126, 127})


def _encoder(values: list[int]) -> str:
    if any(value > 120 for value in values):
        return "two's complement"
    return "offset 64" if any(60 < value < 64 for value in values) else "sign and size"


def checked(entry: dict[str, Any], settings: MidiSettings) -> dict[str, Any]:
    """Return the keys of a binding when they make sense.

    Raises
    ------
    ValueError
        When they do not, with what would.
    """
    try:
        bind = MidiBindSettings(**entry)
    except ValueError as wrong:
        error = wrong.errors()[0] if hasattr(wrong, "errors") else {"loc": ("",), "msg": str(wrong)}
        raise ValueError(f"{error['loc'][-1]}: {error['msg']}") from None
    for finding in midi_findings(settings.model_copy(update={"bind": (bind,), "meter": (), "lamp": (), "tone": ()})):
        raise ValueError(f"{finding.path[-1]}: {finding.problem}")
    return entry
