"""What a message asks for."""

import math

import pytest

from bridge.control.osc import (
    Asked,
    AskVersion,
    LetGo,
    Pair,
    Refused,
    Subscribe,
    Unsubscribe,
    advice,
    read,
)
from bridge.procedure.commands import (
    Focus,
    Follow,
    GoToStep,
    Hold,
    LogNow,
    NextStep,
    Note,
    PreviousStep,
    Reinstate,
    SelectBank,
    Withdraw,
)
from bridge.wire.osc import Argument, Message

TAKEN = [
    ("/do/next", "", (), NextStep(), ""),
    ("/do/next", "s", ("r1",), NextStep(), "r1"),
    ("/do/back", "", (), PreviousStep(), ""),
    ("/do/step", "i", (3,), GoToStep(3), ""),
    ("/do/step", "is", (3, "r2"), GoToStep(3), "r2"),
    ("/do/step", "f", (3.0,), GoToStep(3), ""),
    ("/do/step", "h", (3,), GoToStep(3), ""),
    ("/do/step", "d", (3.0,), GoToStep(3), ""),
    ("/do/bank", "i", (2,), SelectBank(2), ""),
    ("/do/focus", "i", (0,), Focus(0), ""),
    ("/do/focus", "i", (64,), Focus(64), ""),
    ("/do/focus", "f", (-0.0,), Focus(0), ""),
    ("/do/hold", "T", (True,), Hold(True), ""),
    ("/do/hold", "F", (False,), Hold(False), ""),
    ("/do/hold", "Fs", (False, "r3"), Hold(False), "r3"),
    ("/do/hold", "i", (1,), Hold(True), ""),
    ("/do/hold", "i", (0,), Hold(False), ""),
    ("/do/hold", "f", (1.0,), Hold(True), ""),
    ("/do/follow", "T", (True,), Follow(True), ""),
    ("/do/follow", "F", (False,), Follow(False), ""),
    ("/do/follow", "Ts", (True, "r4"), Follow(True), "r4"),
    ("/do/follow", "i", (0,), Follow(False), ""),
    ("/do/follow", "f", (1.0,), Follow(True), ""),
    ("/do/log", "is", (24, "r4"), LogNow(24), "r4"),
    # One string is the command's own argument; only a second one is the request id.
    ("/do/undo", "s", ("17",), Withdraw("17"), ""),
    ("/do/undo", "ss", ("17", "r5"), Withdraw("17"), "r5"),
    ("/do/reinstate", "ss", ("17", "r5"), Reinstate("17"), "r5"),
    ("/do/note", "s", ("Kopf gereinigt, Spur 3 läuft nach",), Note("Kopf gereinigt, Spur 3 läuft nach"), ""),
    ("/do/note", "ss", ("relapped", "r6"), Note("relapped"), "r6"),
    ("/do/note", "s", ("é" * 500,), Note("é" * 500), ""),
    ("/subscribe", "i", (60,), Subscribe(60), ""),
    ("/subscribe", "is", (3600, "r7"), Subscribe(3600), "r7"),
    ("/unsubscribe", "", (), Unsubscribe(), ""),
    ("/version", "s", ("r9",), AskVersion(), "r9"),
    # A button: pressed and let go, as numbers, as truth values and as the impulse of OSC 1.1 (its meaning is
    # from memory).
    ("/do/next", "f", (1.0,), NextStep(), ""),
    ("/do/next", "f", (0.0,), LetGo(), ""),
    ("/do/next", "fs", (1.0, "r1"), NextStep(), "r1"),
    ("/do/next", "is", (0, "r1"), LetGo(), "r1"),
    ("/do/back", "T", (True,), PreviousStep(), ""),
    ("/do/back", "F", (False,), LetGo(), ""),
    ("/do/next", "I", (None,), NextStep(), ""),
    # A pad with an address of its own and nothing but a button's value to send.
    ("/do/log/3", "f", (1.0,), LogNow(3), ""),
    ("/do/log/3", "f", (0.0,), LetGo(), ""),
    ("/do/log/24", "", (), LogNow(24), ""),
    ("/do/focus/0", "is", (1, "r1"), Focus(0), "r1"),
    ("/do/step/12", "s", ("r1",), GoToStep(12), "r1"),
    ("/pair", "s", ("1234",), Pair("1234"), ""),
    ("/pair", "ss", ("1234", "r8"), Pair("1234"), "r8"),
]


@pytest.mark.parametrize(("address", "tags", "arguments", "wish", "request_id"), TAKEN)
def test_taken(address: str, tags: str, arguments: tuple[Argument, ...], wish: object, request_id: str) -> None:
    asked = read(Message(address, tags, arguments))
    assert asked == Asked(wish, request_id)
    # True is 1 for Python, not for the log.
    assert repr(asked) == repr(Asked(wish, request_id))


REFUSED = [
    # Wrong kind of argument, with and without a request id to answer to.
    ("/do/step", "s", ("r1",), "takes step (i)", "r1"),
    ("/do/step", "", (), "takes step (i)", ""),
    ("/do/step", "ii", (1, 2), "takes step (i)", ""),
    ("/do/step", "iis", (1, 2, "r1"), "takes step (i)", "r1"),
    ("/do/step", "f", (2.5,), "step must be a whole number", ""),
    ("/do/step", "fs", (2.5, "r1"), "step must be a whole number", "r1"),
    ("/do/step", "f", (math.nan,), "step must be a whole number", ""),
    ("/do/step", "d", (math.inf,), "step must be a whole number", ""),
    ("/do/step", "T", (True,), "step must be a whole number", ""),
    ("/do/step", "N", (None,), "step must be a whole number", ""),
    ("/do/step", "b", (b"\1",), "step must be a whole number", ""),
    ("/do/step", "i", (0,), "step must be 1 to 9999", ""),
    ("/do/step", "h", (2**40,), "step must be 1 to 9999", ""),
    ("/do/bank", "i", (-1,), "bank must be 1 to 64", ""),
    ("/do/focus", "i", (65,), "track must be 0 to 64", ""),
    ("/do/log", "is", (0, "r1"), "track must be 1 to 64", "r1"),
    ("/do/next", "i", (2,), "takes no argument", ""),
    ("/do/next", "f", (0.5,), "takes no argument", ""),
    ("/do/next", "f", (math.nan,), "takes no argument", ""),
    ("/do/next", "N", (None,), "takes no argument", ""),
    ("/do/next", "ff", (1.0, 1.0), "takes no argument", ""),
    ("/do/next", "ss", ("a", "b"), "takes no argument", "b"),
    ("/do/hold", "", (), "takes on (T)", ""),
    ("/do/hold", "i", (2,), "on must be T or F", ""),
    ("/do/hold", "f", (0.5,), "on must be T or F", ""),
    ("/do/hold", "N", (None,), "on must be T or F", ""),
    ("/do/follow", "", (), "takes on (T)", ""),
    ("/do/follow", "i", (2,), "on must be T or F", ""),
    ("/do/follow", "s", ("T",), "takes on (T)", "T"),
    ("/do/hold", "s", ("T",), "takes on (T)", "T"),
    ("/do/undo", "", (), "takes trim id (s)", ""),
    ("/do/undo", "i", (17,), "trim id must be a string", ""),
    ("/do/undo", "is", (17, "r1"), "trim id must be a string", "r1"),
    ("/do/undo", "s", ("",), "trim id must have 1 to 64 characters", ""),
    ("/do/undo", "s", ("x" * 65,), "trim id must have 1 to 64 characters", ""),
    ("/do/note", "s", ("   ",), "text must have 1 to 500 characters", ""),
    ("/do/note", "ss", ("x" * 501, "r1"), "text must have 1 to 500 characters", "r1"),
    # What could move the cursor of the terminal that shows the log, or fake a line of it.
    ("/do/note", "s", ("\x1b[2J",), "one line", ""),
    ("/do/note", "s", ("one\ntwo",), "one line", ""),
    ("/do/note", "s", ("one\u2028two",), "one line", ""),
    # No request id: empty, too long, not one line, not a string.
    ("/do/next", "s", ("",), "takes no argument", ""),
    ("/do/next", "s", ("x" * 65,), "takes no argument", ""),
    ("/do/next", "s", ("a\x07",), "takes no argument", ""),
    ("/subscribe", "i", (0,), "time must be 1 to 3600", ""),
    ("/subscribe", "i", (3601,), "time must be 1 to 3600", ""),
    ("/pair", "", (), "takes code (s)", ""),
    ("/do/log/65", "f", (1.0,), "track must be 1 to 64", ""),
    ("/do/log/0", "", (), "track must be 1 to 64", ""),
    ("/do/log/3", "i", (5,), "/do/log/3 takes no argument", ""),
    ("/do/log/3/1", "", (), "nothing is at", ""),
    ("/do/log/-3", "", (), "nothing is at", ""),
    ("/do/hold/1", "", (), "nothing is at", ""),
    ("/do/next/1", "", (), "nothing is at", ""),
    ("/do/log/" + "9" * 200, "", (), "track must be 1 to 64", ""),
    # Near, and not exact: nothing but the very address will do.
    ("/do/nxt", "s", ("r1",), "nothing is at /do/nxt; near it is /do/next", "r1"),
    ("/do/Next", "", (), "nothing is at /do/Next", ""),
    ("/do/next/", "", (), "nothing is at", ""),
    ("/do/elsewhere/entirely", "is", (4, "r1"), "nothing is at", "r1"),
    # Answers to answers would go on for ever between two programs: only what looks like a command is answered.
    ("/refused", "ss", ("r1", "nothing is at /x"), "nothing is at /refused", ""),
    ("/done", "s", ("r1",), "nothing is at /done", ""),
    ("/track/1/vu", "f", (0.0,), "nothing is at /track/1/vu", ""),
]


@pytest.mark.parametrize(("address", "tags", "arguments", "reason", "request_id"), REFUSED)
def test_refused(address: str, tags: str, arguments: tuple[Argument, ...], reason: str, request_id: str) -> None:
    refused = read(Message(address, tags, arguments))
    assert isinstance(refused, Refused)
    assert reason in advice(refused)
    assert refused.request_id == request_id
