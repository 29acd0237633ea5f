"""What a MIDI message means here: messages of one input in, by the bindings of the config; commands out.

Nothing here waits, sends or knows the time of day.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from bridge.config.midi_settings import MidiBindSettings, usually_pressed
from bridge.control.midi_switches import Contact, Turning, clicks
from bridge.procedure.commands import (
    Command,
    Confirm,
    Finish,
    Focus,
    Follow,
    GoToStep,
    Hold,
    ListenTo,
    LogNow,
    NextStep,
    Note,
    PlayTone,
    PreviousStep,
    Reinstate,
    RepeatStep,
    SelectBank,
    TakeBack,
    TurnTrimmer,
    Withdraw,
)
from bridge.readings import Frame
from bridge.wire.midi_child import same_part
from bridge.wire.midi_messages import MidiMessage

CONTACTS: Final = 1024
"""Most contacts of one binding that are remembered; a binding of any note of any channel of an input has 2048."""

PRACTICE_SHARE: Final = 0.02
"""Of its travel a click turns a trimmer: some 50 clicks from one end to the other, as a finger would do it."""


@dataclass(frozen=True, slots=True)
class TapeWish:
    """What a person wants of the recorder itself."""

    action: Literal["stop", "play", "to tone"]


@dataclass(frozen=True, slots=True)
class Impossible:
    """A wish that makes no sense now, and why."""

    reason: str


Wish = Command | TapeWish | Impossible


@dataclass(frozen=True, slots=True)
class Situation:
    """What commands refer to: the newest frame, the number of banks, and the newest trim; None and empty at first."""

    frame: Frame | None = None
    banks: int = 1
    trim_id: str = ""

    @property
    def tracks(self) -> tuple[int, ...]:
        """The tracks of the bank, by their place in it."""
        return tuple(reading.track for reading in self.frame.readings) if self.frame else ()

    @property
    def steps(self) -> int:
        """How many steps there are."""
        return self.frame.step.count if self.frame else 0


class Bindings:
    """All bindings of a config. For one thread.

    Parameters
    ----------
    settings : sequence of MidiBindSettings
        As they come from `bridge.config.load`, which has checked that they make sense.
    """

    def __init__(self, settings: Sequence[MidiBindSettings]) -> None:
        self._bindings = [_Binding(bind) for bind in settings]

    def wishes(self, port: str, message: MidiMessage, situation: Situation, now_s: float) -> Iterator[Wish]:
        """Yield what a message from an input means; nothing when it is bound to nothing or a switch does not act."""
        for binding in self._bindings:
            if binding.means(port, message):
                wish = binding.wish(port, message, situation, now_s)
                if wish is not None:
                    yield wish

    def closed(self, port: str) -> None:
        """Take note that an input is gone: how its switches stand when it comes back is not known."""
        for binding in self._bindings:
            binding.closed(port)


class _Binding:
    def __init__(self, settings: MidiBindSettings) -> None:
        self._settings = settings
        self._contacts: dict[tuple[str, int, int], Contact] = {}
        self._turnings: dict[tuple[str, int, int], Turning] = {}
        self._last: dict[tuple[str, int, int], int] = {}
        self._data = bytes.fromhex(settings.data) if settings.data else b""

    def closed(self, port: str) -> None:
        """Forget how what belongs to an input stood."""
        for standing in (self._contacts, self._turnings, self._last):
            for source in [source for source in standing if source[0] == port]:
                del standing[source]

    def means(self, port: str, message: MidiMessage) -> bool:
        """Return whether a message is bound, whatever its value."""
        bind = self._settings
        if message.kind != bind.message or not same_part(bind.port, port):
            return False
        if bind.channel is not None and message.channel != bind.channel:
            return False
        last = bind.number if bind.last_number is None else bind.last_number
        if bind.number is not None and last is not None and not bind.number <= message.number <= last:
            return False
        return message.kind != "system exclusive" or message.data == self._data

    def wish(self, port: str, message: MidiMessage, situation: Situation, now_s: float) -> Wish | None:
        """Return what it means, None when it does not act."""
        bind = self._settings
        source = (port, message.channel, message.number)
        if bind.take == "turn":
            return self._turn(source, message, situation, now_s)
        if bind.take in ("value", "range"):
            argument = self._place(message, situation)
            if self._last.get(source) == argument:
                return None
            self._remember(source, argument)
            return self._with_place(argument, situation)
        if not self._acts(source, message, now_s):
            return None
        if bind.take == "number":
            return self._with_place(message.number + bind.offset, situation)
        return self._fixed(situation)

    def _remember(self, source: tuple[str, int, int], argument: int) -> None:
        self._last[source] = argument
        if len(self._last) > CONTACTS:
            self._last.pop(next(iter(self._last)))

    def _acts(self, source: tuple[str, int, int], message: MidiMessage, now_s: float) -> bool:
        bind = self._settings
        if message.value < 0:
            return True
        lowest = bind.lowest_value
        if lowest is None:
            lowest = usually_pressed(bind.message)
        highest = message.highest_value if bind.highest_value is None else bind.highest_value
        contact = self._contacts.get(source)
        if contact is None:
            if len(self._contacts) >= CONTACTS:
                self._contacts.pop(next(iter(self._contacts)))
            contact = self._contacts[source] = Contact(bind.switch == "latching", bind.debounce_s)
        return contact.moved(lowest <= message.value <= highest, now_s)

    def _place(self, message: MidiMessage, situation: Situation) -> int:
        """Return the argument that a value says, from 1 for a range."""
        if self._settings.take == "value":
            return message.value + self._settings.offset
        return message.value * len(self._choices(situation)) // (message.highest_value + 1) + 1

    def _choices(self, situation: Situation) -> tuple[int, ...]:
        """Return what the argument can be: numbers of tracks, steps or banks."""
        command = self._settings.command
        if command in ("focus", "log"):
            return situation.tracks
        return tuple(range(1, (situation.steps if command == "step" else situation.banks) + 1))

    def _with_place(self, place: int, situation: Situation) -> Wish:
        """Return the command with an argument from the message; tracks are counted by their place in the bank."""
        if self._settings.command == "focus" and place == 0:
            return Focus(0)
        if self._settings.command in ("focus", "log", "practice turn"):
            tracks = situation.tracks
            if not 1 <= place <= len(tracks):
                return Impossible(f"there is no track at place {place} of the bank: it has {len(tracks)}")
            if self._settings.command == "practice turn":
                return self._trimmer(tracks[place - 1], situation)
            return self._numbered(tracks[place - 1])
        return self._numbered(place)

    def _numbered(self, number: int) -> Command:
        match self._settings.command:
            case "step":
                return GoToStep(number)
            case "bank":
                return SelectBank(number)
            case "log":
                return LogNow(number)
            case _:
                return Focus(number)

    def _trimmer(self, track: int | None, situation: Situation, by: int = 1) -> Wish:
        """Turn a trimmer of the simulated recorder; of the track in focus and of the step where none is named."""
        bind, frame = self._settings, situation.frame
        track = track or (frame.focus_track if frame else 0)
        adjustment = bind.text or (frame.step.adjustment if frame else "")
        share = by * (PRACTICE_SHARE if bind.share is None else bind.share)
        if not track:
            return Impossible("no track is in focus: there is no trimmer to turn")
        return TurnTrimmer(track, adjustment, min(max(share, -1.0), 1.0))

    def _turn(
        self, source: tuple[str, int, int], message: MidiMessage, situation: Situation, now_s: float
    ) -> Wish | None:
        frame = situation.frame
        by = clicks(self._settings.encoder, message.value) if message.kind == "control" else message.turned
        if self._settings.command == "practice turn":
            return self._trimmer(self._settings.argument, situation, by) if by else None
        if frame is None:
            return None
        shown = {"step": frame.step.number, "bank": frame.bank}.get(self._settings.command, frame.focus_track)
        turning = self._turnings.setdefault(source, Turning())
        number = turning.turned(by, self._choices(situation), shown, now_s)
        return None if number is None else self._numbered(number)

    def _fixed(self, situation: Situation) -> Wish:  # noqa: PLR0911, PLR0912 - one line a command
        bind, frame = self._settings, situation.frame
        match bind.command:
            case "next":
                return NextStep()
            case "back":
                return PreviousStep()
            case "repeat":
                return RepeatStep()
            case "hold":
                return Hold(True)
            case "go on":
                return Hold(False)
            case "hold or go on":
                return Hold(frame is None or not frame.held)
            case "follow":
                return Follow(True)
            case "stay":
                return Follow(False)
            case "follow or stay":
                return Follow(frame is not None and not frame.follows)
            case "undo":
                return Withdraw(situation.trim_id) if situation.trim_id else Impossible("no trim was logged yet")
            case "reinstate":
                return Reinstate(situation.trim_id) if situation.trim_id else Impossible("no trim was logged yet")
            case "note":
                return Note(bind.text)
            case "confirm":
                return Confirm(bind.text, bind.who)
            case "take back":
                return TakeBack(bind.text, bind.who)
            case "finish":
                return Finish()
            case "tape stop":
                return TapeWish("stop")
            case "tape play":
                return TapeWish("play")
            case "tape to tone":
                return TapeWish("to tone")
            case "practice turn":
                return self._trimmer(bind.argument, situation)
            case "practice tone":
                hz = bind.hz or (frame.step.tone_hz if frame else 0.0)
                return PlayTone(hz) if hz else Impossible("there is no step yet whose tone could be played")
            case "practice path":
                return ListenTo(bind.text)
            case _ if bind.argument is not None:
                return self._numbered(bind.argument)
            case _:
                focus = frame.focus_track if frame else 0
                return LogNow(focus) if focus else Impossible("no track is in focus: nothing to log")
