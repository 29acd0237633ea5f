"""What a MIDI message shall do: what was moved and a person's answers in; the keys of one ``[[midi.bind]]`` out.

Each answer is checked at once, and only what was wrong is asked again.
"""

from collections.abc import Callable, Mapping
from typing import Any, Final

from pydantic import ValidationError

from bridge.cli.failures import FailedError
from bridge.cli.figures import counted
from bridge.cli.midi_sources import Source
from bridge.cli.questions import Questions, number, said_wrong, whole
from bridge.config import keys
from bridge.config.midi_checks import CONFIRMATIONS, NUMBERED, TURNED, VALUED, WITH_ARGUMENT, midi_findings
from bridge.config.midi_settings import MidiBindSettings, MidiCommand, MidiSettings
from bridge.procedure.preparation import PREPARATION
from bridge.tape.machine import ADJUSTMENTS, PATHS
from bridge.wire.midi import stable_part

NOUNS: Final = {"control": "controller", "control 14 bit": "controller", "key pressure": "note", "song select": "song"}
"""What has the number of a message, where that is not what the message is called."""

ENCODERS: Final = {"two's complement": 127, "offset 64": 63, "sign and size": 65}
"""What an endless encoder sends for one click to the left."""

AROUND_A_CLICK: Final = frozenset({1, 2, 3, 61, 62, 63, 65, 66, 67, 125, 126, 127})


class Binding:
    """The keys that are decided so far, and the questions for the others.

    Parameters
    ----------
    questions : Questions
        Whoever answers.
    source : Source
        What was moved.
    command : str
        What it shall do.
    midi : MidiSettings
        ``[midi]`` of the config that gets the binding.
    there_are : mapping
        How many there are of each ``step``, ``bank`` and ``track``.
    """

    def __init__(
        self,
        questions: Questions,
        source: Source,
        command: MidiCommand,
        midi: MidiSettings,
        there_are: Mapping[str, int],
    ) -> None:
        self._questions = questions
        self._source = source
        self._command = command
        self._midi = midi
        self._there_are = there_are
        message = source.message
        self._kind = message.kind
        self._noun = NOUNS.get(message.kind, message.kind.removeprefix("non-").removeprefix("registered "))
        self._thing = command if command in ("step", "bank") else "track"
        self._keys: dict[str, Any] = {"port": stable_part(source.port), "message": message.kind}
        if message.channel:
            self._keys["channel"] = message.channel
        if message.number >= 0:
            self._keys["number"] = message.number
        if message.data:
            self._keys["data"] = message.data.hex(" ").upper()
        self._keys["command"] = command

    def asked(self) -> dict[str, Any]:
        """Ask for what the command needs, and return all keys.

        Raises
        ------
        FailedError
            When this message cannot do it, whatever is answered.
        """
        if self._command in WITH_ARGUMENT:
            self._ask_argument()
        elif self._command == "note":
            self._ask("text", "What is written into the log")
        elif self._command in CONFIRMATIONS:
            items = [f"{item.key}: {item.question}" for item in PREPARATION]
            self._keys["text"] = PREPARATION[self._questions.choose("Which item", items)].key
            self._ask("who", "Who does it")
        elif self._command == "practice tone":
            self._ask(
                "hz", "Which tone, in Hz; Enter = that of the step", "", lambda said: number(said) if said else None
            )
        elif self._command == "practice path":
            self._keys["text"] = PATHS[self._questions.choose("Which path", PATHS)]
        if "take" not in self._keys and self._kind in VALUED:
            self._ask_switch()
        for key, problem in self._faults(self._keys):
            raise FailedError(
                f"{self._source} cannot be bound to {self._command}: {key} {problem}; nothing was written"
            )
        return self._keys

    def _ask(self, key: str, question: str, default: str = "", answer: Callable[[str], Any] = str) -> None:
        """Ask for a key until the answer is right; None leaves it out."""
        console = self._questions.console
        self._questions.until_right(lambda: self._decide(key, answer(console.ask(question, default))))

    def _decide(self, key: str, value: Any) -> None:
        """Keep the value of a key.

        Raises
        ------
        ValueError
            When it cannot be, with what would be right. What is missing beside it is no fault of this answer.
        """
        if value is None:
            return
        tried = self._keys | {key: value}
        before = self._faults(self._keys)
        for fault in self._faults(tried):
            if fault[0] == key or fault not in before:
                raise ValueError(said_wrong(value, fault[1]))
        self._keys = tried

    def _faults(self, entry: Mapping[str, Any]) -> list[tuple[str, str]]:
        """Return which keys are wrong, and why."""
        try:
            bind = MidiBindSettings(**entry)
        except ValidationError as wrong:
            named = [str(error["loc"][0]) for error in wrong.errors(include_url=False)]
            return [(key, f"must be {keys.allowed(('midi', 'bind', 0, key))}") for key in named]
        alone = self._midi.model_copy(update={"bind": (bind,), "meter": (), "lamp": (), "tone": ()})
        return [(str(finding.path[-1]), finding.problem) for finding in midi_findings(alone)]

    # -- which step, bank or track

    def _ask_argument(self) -> None:
        ways = self._ways()
        names = list(ways)
        way = names[0]
        if len(names) > 1:
            choices = [f"{name}: {meaning}" for name, meaning in ways.items()]
            way = names[self._questions.choose(f"Which {self._thing}", choices, names.index(self._guessed(ways)))]
        if self._command == "practice turn":
            self._ask_trimmer()
        if way == "same":
            least = 0 if self._command == "focus" else 1
            moving = "; 0 = whichever moves" if least == 0 else ""
            question = f"Which {self._thing}, {self._span(1)}{moving}"
            self._ask("argument", question, "1", lambda said: self._place(said, least))
        elif way != "focus":
            self._keys["take"] = way
            if way == "number":
                self._ask_row()
            elif way == "turn" and self._kind == "control":
                self._ask_encoder()

    def _ways(self) -> dict[str, str]:
        """Return by what the step, bank or track can be told, and what that means."""
        thing, ways = self._thing, {}
        if self._command in ("log", "practice turn"):
            ways["focus"] = "the track in focus"
        ways["same"] = f"always the same {thing}"
        if self._kind in NUMBERED:
            first = f"{self._noun} {self._source.message.number}"
            ways["number"] = f"a row of switches or pads: {first} and those after it, each for a {thing} of its own"
        if self._kind in VALUED and self._command != "practice turn":
            ways["value"] = f"the value that it sends is the number of the {thing}"
            ways["range"] = f"a pedal, fader or knob whose whole way is spread over all {thing}s"
        if self._kind in TURNED and (self._kind == "control" or self._source.turned) and self._command != "log":
            does = "turns the trimmer" if self._command == "practice turn" else f"goes one {thing} on or back"
            ways["turn"] = f"an endless encoder, each click of which {does}"
        return ways

    def _guessed(self, ways: Mapping[str, str]) -> str:
        """Return what a person most likely wants, from how the source moved."""
        values, command = self._source.values, self._command
        clicks = self._source.turned or (values and all(value in AROUND_A_CLICK for value in values))
        if command == "log" or (command == "practice turn" and not ("turn" in ways and clicks)):
            return "focus"
        if self._kind in ("program", "song select") or (self._kind == "note" and command == "focus"):
            return "number"
        if "turn" in ways and clicks:
            return "turn"
        return "range" if "range" in ways and self._kind != "note" and len(values) > 2 else "same"

    def _place(self, said: str, least: int) -> int:
        """Return the number of a step, bank or track that there is."""
        place, most = whole(said), self._there_are[self._thing]
        if place < least or (most and place > most):
            there = f"; there {'is' if most == 1 else 'are'} {counted(most, self._thing)}" if most else ""
            raise ValueError(f"{place}: must be {self._span(least)}{there}")
        return place

    def _span(self, least: int) -> str:
        most = self._there_are[self._thing]
        if not most:
            return f"{least} or above"
        return f"{least} to {most}" if most > least else f"{least}"

    def _ask_row(self) -> None:
        first, noun = self._source.message.number, self._noun
        least = 0 if self._command == "focus" else 1
        question = f"Which {self._thing} is {noun} {first}, {self._span(1)}"
        self._ask("offset", question, "1", lambda said: self._place(said, least) - first)
        if self._kind == "program":
            del self._keys["number"]  # every program chooses, not only the one that was sent
            return

        def last(said: str) -> int | None:
            given = whole(said)
            if given < first:
                raise ValueError(f"{given}: must be {first} or above; the row begins with {noun} {first}")
            return given if given > first else None

        self._ask("last_number", f"The last {noun} of the row; {first} = there is no other", str(first), last)

    def _ask_encoder(self) -> None:
        names = list(ENCODERS)
        guessed = names.index(_encoder(self._source.values))
        choices = [f"{name}: {value}" for name, value in ENCODERS.items()]
        self._keys["encoder"] = names[
            self._questions.choose("Which value does it send for one click to the left", choices, guessed)
        ]

    def _ask_trimmer(self) -> None:
        chosen = self._questions.choose("Which trimmer", ["that of the step", *ADJUSTMENTS])
        if chosen:
            self._keys["text"] = ADJUSTMENTS[chosen - 1]
        question = "By which share of its travel, -1 to 1; below 0 is to the left"
        self._ask("share", question, "0.02", number)

    # -- a switch

    def _ask_switch(self) -> None:
        choices = ["momentary: acts each time it is pressed", "latching: each click switches on or off, and both act"]
        if self._questions.choose("Which kind of switch is it", choices):
            self._keys["switch"] = "latching"
        elif _opens_when_pressed(self._source):
            self._keys |= {"lowest_value": 0, "highest_value": 63}
        if lowest := _lowest_pressed(self._source):
            self._keys["lowest_value"] = lowest


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


def _encoder(values: list[int]) -> str:
    if any(value > 120 for value in values):
        return "two's complement"
    return "offset 64" if any(60 < value < 64 for value in values) else "sign and size"
