"""What a decoded OSC message asks for: a message in, a command or a reason out. Pure.

Addresses match exactly. Arguments are those of the address table, and one more string at the end is the request id.
What common controllers send in their place is taken where it can mean one thing only: a number without a fraction for
an integer, 1 and 0 for on and off, and on an address without arguments 1 for a button that is pressed, which does it,
and 0 for one that is let go, which does nothing. The number that a command takes may stand at the end of its address,
which leaves the value to the button: ``/do/log/3``.
"""

import difflib
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from bridge.procedure import commands
from bridge.procedure.commands import Command
from bridge.wire.addresses import (
    ASK_VERSION,
    COMMAND_ADDRESSES,
    PAIR,
    SESSION_ADDRESSES,
    SUBSCRIBE,
    UNSUBSCRIBE,
    Address,
    Argument,
)
from bridge.wire.osc import Argument as Value
from bridge.wire.osc import Message

REQUEST_ID_CHARACTERS: Final = 64
"""Longest request id: a UUID with a name before it."""


@dataclass(frozen=True, slots=True)
class Subscribe:
    """Send frames to the sender for ``duration_s``."""

    duration_s: int


@dataclass(frozen=True, slots=True)
class Unsubscribe:
    """Send the sender no more frames."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Let the sender command, if ``code`` is right."""

    code: str


@dataclass(frozen=True, slots=True)
class AskVersion:
    """Tell the sender the version."""


@dataclass(frozen=True, slots=True)
class LetGo:
    """A button was let go: there is nothing to do."""


SessionWish = Subscribe | Unsubscribe | Pair | AskVersion
"""What concerns the sender alone."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a message asks for; ``request_id`` is empty when no answer is wanted."""

    wish: Command | SessionWish | LetGo
    request_id: str = ""


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a message is not taken.

    ``request_id`` is empty when it has none or it cannot be told. ``unknown`` is the address when it looks like a
    command and there is no such command: whoever made the controller wants to hear of it, with or without an id.
    """

    reason: str
    request_id: str = ""
    unknown: str = ""


class _ArgumentError(ValueError):
    """An argument is not what the table says."""


_WISHES: Final[dict[str, Callable[..., Command | SessionWish]]] = {
    "/do/next": commands.NextStep,
    "/do/back": commands.PreviousStep,
    "/do/repeat": commands.RepeatStep,
    "/do/step": commands.GoToStep,
    "/do/bank": commands.SelectBank,
    "/do/focus": commands.Focus,
    "/do/hold": commands.Hold,
    "/do/follow": commands.Follow,
    "/do/log": commands.LogNow,
    "/do/undo": commands.Withdraw,
    "/do/reinstate": commands.Reinstate,
    "/do/note": commands.Note,
    "/do/confirm": commands.Confirm,
    "/do/take_back": commands.TakeBack,
    "/do/finish": commands.Finish,
    "/practice/turn": commands.TurnTrimmer,
    "/practice/tone": commands.PlayTone,
    "/practice/path": commands.ListenTo,
    "/practice/playback_level": commands.MovePlayback,
    "/practice/foreign_tone": commands.PlayForeignTone,
    "/practice/foreign": commands.PlayForeign,
    SUBSCRIBE.path: Subscribe,
    UNSUBSCRIBE.path: Unsubscribe,
    PAIR.path: Pair,
    ASK_VERSION.path: AskVersion,
}
_ROWS: Final = {row.path: row for row in (*COMMAND_ADDRESSES, *SESSION_ADDRESSES)}


def read(message: Message) -> Asked | Refused:
    """Return what a message asks for, or why it is not taken."""
    row, number = _row(message.address)
    if row is None:
        return _unknown(message)
    own = row.arguments[len(number) :]
    request_id = _request_id(own, message.arguments)
    values = message.arguments[:-1] if request_id else message.arguments
    is_down = True
    if not own and len(values) == 1 and (button := _button(message)) is not None:
        values, is_down = (), button
    if len(values) != len(own):
        return Refused(f"{message.address} takes {_described(own)}, and a request id if you like", request_id)
    try:
        taken = [_take(argument, value) for argument, value in zip(row.arguments, (*number, *values), strict=True)]
    except _ArgumentError as error:
        return Refused(f"{row.path}: {error}", request_id)
    return Asked(_WISHES[row.path](*taken) if is_down else LetGo(), request_id)


def _row(address: str) -> tuple[Address | None, tuple[int, ...]]:
    """Return the row of an address, and the number at its end where that stands in place of the only argument."""
    if (row := _ROWS.get(address)) is not None:
        return row, ()
    path, _, number = address.rpartition("/")
    row = _ROWS.get(path)
    return (row, (int(number),)) if row is not None and row.tags == "i" and number.isdecimal() else (None, ())


def _request_id(own: tuple[Argument, ...], values: tuple[Value, ...]) -> str:
    """Return the last value where it can only be the request id: a short string that is not an argument of its own."""
    last = values[-1] if values else None
    if not isinstance(last, str) or not 0 < len(last) <= REQUEST_ID_CHARACTERS or not _one_line(last):
        return ""
    is_own = len(values) <= len(own) and own[len(values) - 1].tag == "s"
    return "" if is_own else last


def _unknown(message: Message) -> Refused:
    """Say that nothing has this address.

    An answer goes only to what looks like a command. If all else were answered, two programs that refuse each other's
    refusals would do so for ever.
    """
    if not message.address.startswith("/do/"):
        return Refused(f"nothing is at {message.address}")
    last = message.arguments[-1:]
    request_id = _request_id((), last)
    return Refused(f"nothing is at {message.address}", request_id, message.address)


def advice(refused: Refused) -> str:
    """Return the reason of a refusal, and what is near when there is no such command.

    To compare a command with all others takes as long as ten packets do, so ask only when it is told to somebody.
    """
    near = difflib.get_close_matches(refused.unknown, _ROWS, n=1) if refused.unknown else []
    return f"{refused.reason}; near it is {near[0]}" if near else refused.reason


def _button(message: Message) -> bool | None:
    """Return whether the first value is of a button that is pressed (1, true, impulse) or let go (0, false)."""
    value = message.arguments[0]
    if message.tags[0] == "I":
        return True
    return bool(value) if isinstance(value, bool | int | float) and value in (0, 1) else None


def _take(argument: Argument, value: Value) -> float | bool | str:
    if argument.tag == "i":
        return _take_integer(argument, value)
    if argument.tag == "f":
        return _take_number(argument, value)
    if argument.tag == "T":
        if isinstance(value, bool | int | float) and value in (0, 1):
            return bool(value)
        raise _ArgumentError(f"{argument.name} must be T or F (1 or 0 will do)")
    if not isinstance(value, str):
        raise _ArgumentError(f"{argument.name} must be a string")
    if not value.strip() or len(value) > (argument.longest or len(value)):
        raise _ArgumentError(f"{argument.name} must have 1 to {argument.longest} characters")
    if not _one_line(value):
        raise _ArgumentError(f"{argument.name} must be one line without control characters")
    return value


def _take_integer(argument: Argument, value: Value) -> int:
    # T and F are no numbers here, though Python counts with them.
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value // 1:
        raise _ArgumentError(f"{argument.name} must be a whole number")
    if argument.lowest is not None and argument.highest is not None:
        lowest, highest = int(argument.lowest), int(argument.highest)
        if not lowest <= value <= highest:
            raise _ArgumentError(f"{argument.name} must be {lowest} to {highest}")
    return int(value)


def _take_number(argument: Argument, value: Value) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _ArgumentError(f"{argument.name} must be a number")
    if (
        argument.lowest is not None
        and argument.highest is not None
        and not argument.lowest <= value <= argument.highest
    ):
        raise _ArgumentError(f"{argument.name} must be {argument.lowest:g} to {argument.highest:g}")
    return float(value)


def _one_line(text: str) -> bool:
    """Whether a text can be shown in a terminal: no control characters, no line or paragraph separators."""
    return not any(unicodedata.category(character) in {"Cc", "Zl", "Zp"} for character in text)


def _described(arguments: tuple[Argument, ...]) -> str:
    return ", ".join(f"{argument.name} ({argument.tag})" for argument in arguments) or "no argument"
