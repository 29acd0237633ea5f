"""What does not fit together in ``[midi]``: its settings in; findings out."""

import re
from collections.abc import Iterator
from typing import Final

from bridge.config.faults import Finding
from bridge.config.midi_settings import MidiBindSettings, MidiSettings, highest_value, usually_pressed
from bridge.procedure.preparation import PREPARATION
from bridge.tape.machine import ADJUSTMENTS, PATHS

HEX: Final = re.compile(r"\s*([0-7][0-9A-Fa-f]\s*)+")
"""Bytes of seven bits, two digits each: nothing else may stand in a system exclusive message."""

TIME_CODE: Final = re.compile(r"([01]\d|2[0-3]):([0-5]\d):([0-5]\d):([0-2]\d)")

PARAMETERS: Final = ("registered parameter", "non-registered parameter")
NUMBERED: Final = ("note", "control", "control 14 bit", *PARAMETERS, "program", "key pressure", "song select")
VALUED: Final = (
    "note",
    "control",
    "control 14 bit",
    *PARAMETERS,
    "pitch bend",
    "channel pressure",
    "key pressure",
    "song position",
)
"""Kinds of message that carry a number, and those that carry a value."""

TURNED: Final = ("control", *PARAMETERS)
"""What an endless encoder can send."""

WITH_ARGUMENT: Final = ("step", "bank", "focus", "log", "practice turn")
CONFIRMATIONS: Final = ("confirm", "take back")
TAPE_COMMANDS: Final = ("tape stop", "tape play", "tape to tone")
PRACTICE_COMMANDS: Final = ("practice turn", "practice tone", "practice path")


def midi_findings(midi: MidiSettings) -> Iterator[Finding]:
    """Return what does not fit together."""
    yield from _machine(midi)
    for index, tone in enumerate(midi.tone):
        if not TIME_CODE.fullmatch(tone.position):
            problem = 'must be hours, minutes, seconds and frames such as "01:00:10:00"'
            yield Finding(("midi", "tone", index, "position"), problem)
    for index, bind in enumerate(midi.bind):
        for key, problem in _bind(bind, midi):
            yield Finding(("midi", "bind", index, key), problem, show_value=key != "message")
    for index, meter in enumerate(midi.meter):
        path = ("midi", "meter", index)
        most = 127 if meter.message == "control" else 16_383
        if meter.center is not None and meter.center > most:
            yield Finding((*path, "center"), f"must be from 0 to {most} for {meter.message}")
        if meter.message == "control 14 bit" and meter.number > 31:
            yield Finding((*path, "number"), "controllers of 14 bits are 0 to 31; 32 to 63 are their lower halves")
        across_channels = meter.message == "pitch bend" or meter.each_track == "next channel"
        first, last = (
            (meter.channel, 16) if across_channels else (meter.number, 31 if meter.message == "control 14 bit" else 119)
        )
        if first <= last < first + meter.places - 1:
            what = "channel 16" if across_channels else f"controller {last}"
            yield Finding((*path, "places"), f"goes beyond {what}: {last - first + 1} fit")
        if not across_channels and meter.message == "control" and meter.number > 119:
            yield Finding((*path, "number"), "120 to 127 are channel mode messages, which silence or reset a receiver")
    for index, lamp in enumerate(midi.lamp):
        if lamp.number + lamp.places > 128:
            yield Finding(("midi", "lamp", index, "places"), f"goes beyond note 127: {128 - lamp.number} fit")


def _machine(midi: MidiSettings) -> Iterator[Finding]:
    if midi.machine_control and not midi.machine_port:
        problem = "needs machine_port, the output that leads to the recorder"
        yield Finding(("midi", "machine_control"), problem, show_value=False)
    if midi.locate_on_step and not midi.machine_control:
        yield Finding(("midi", "locate_on_step"), "needs machine_control = true", show_value=False)


def _bind(bind: MidiBindSettings, midi: MidiSettings) -> Iterator[tuple[str, str]]:
    if bind.message == "system exclusive":
        if not HEX.fullmatch(bind.data):
            yield "data", 'must be the bytes between F0 and F7, each from 00 to 7F, such as "7D 01"'
    elif bind.data:
        yield "data", 'goes with message = "system exclusive" only'
    yield from _number(bind)
    yield from _pressed(bind)
    yield from _argument(bind)
    if bind.command == "note" and not bind.text:
        yield "text", "missing; the command note needs what is to be written"
    if bind.command in CONFIRMATIONS:
        items = [item.key for item in PREPARATION]
        if bind.text not in items:
            yield "text", f"must be an item of the preparation: {', '.join(items)}"
        if not bind.who:
            yield "who", f"missing; {bind.command} needs who does it"
    yield from _practice(bind)
    if bind.command in TAPE_COMMANDS and not midi.machine_control:
        yield "command", "needs machine_control = true in [midi]"


def _pressed(bind: MidiBindSettings) -> Iterator[tuple[str, str]]:
    """Return why no value would count as pressed."""
    for key, value in (("lowest_value", bind.lowest_value), ("highest_value", bind.highest_value)):
        most = highest_value(bind.message)
        if value is not None and bind.message not in VALUED:
            yield key, f"{bind.message} carries no value"
        elif value is not None and value > most:
            yield key, f"must be from 0 to {most} for {bind.message}"
    if bind.highest_value is None or bind.message not in VALUED:
        return
    if bind.lowest_value is not None and bind.lowest_value > bind.highest_value:
        yield "lowest_value", "is above highest_value"
    elif bind.lowest_value is None and bind.highest_value < usually_pressed(bind.message):
        yield "highest_value", f"needs lowest_value: without one only {usually_pressed(bind.message)} and more count"


def _number(bind: MidiBindSettings) -> Iterator[tuple[str, str]]:
    if bind.number is not None and bind.message not in NUMBERED:
        yield "number", f"{bind.message} carries no number"
    elif bind.message not in PARAMETERS and max(bind.number or 0, bind.last_number or 0) > 127:
        yield "number" if (bind.number or 0) > 127 else "last_number", f"must be from 0 to 127 for {bind.message}"
    if bind.last_number is not None and (bind.number is None or bind.last_number < bind.number):
        yield "last_number", "needs number, the first of them"
    if bind.message == "control 14 bit" and bind.number is not None and (bind.last_number or bind.number) > 31:
        yield "number", "controllers of 14 bits are 0 to 31; 32 to 63 are their lower halves"


def _practice(bind: MidiBindSettings) -> Iterator[tuple[str, str]]:
    if bind.share is not None and bind.command != "practice turn":
        yield "share", 'goes with command = "practice turn" only'
    if bind.share == 0.0:
        yield "share", "0 turns nothing"
    if bind.hz is not None and bind.command != "practice tone":
        yield "hz", 'goes with command = "practice tone" only'
    if bind.command == "practice turn" and bind.text not in ("", *ADJUSTMENTS):
        yield "text", f"must be a trimmer: {', '.join(ADJUSTMENTS)}"
    if bind.command == "practice path" and bind.text not in PATHS:
        yield "text", f"must be a path: {', '.join(PATHS)}"


def _argument(bind: MidiBindSettings) -> Iterator[tuple[str, str]]:
    if bind.take is not None:
        # An encoder turns a trimmer, and the track is named beside it.
        if bind.argument is not None and (bind.command, bind.take) != ("practice turn", "turn"):
            yield "argument", "does not go together with take"
        if bind.command not in WITH_ARGUMENT:
            yield "take", f"{bind.command} needs no argument"
        if bind.take == "number" and bind.message not in NUMBERED:
            yield "take", f"{bind.message} carries no number"
        if bind.take != "number" and bind.message not in VALUED:
            yield "take", f"{bind.message} carries no value"
        if bind.take == "turn" and bind.message not in TURNED:
            yield "take", 'an encoder sends message = "control", or counts a parameter up and down'
        if bind.take == "turn" and bind.command == "log":
            yield "take", "a turn shall not log: bind log to a switch"
        if bind.take in ("value", "range") and bind.command == "practice turn":
            yield "take", 'practice turn takes "turn" for an endless encoder, or "number" for the track'
    elif bind.command in ("step", "bank", "focus") and bind.argument is None:
        yield "argument", f"missing; {bind.command} needs a number, or take"
    if bind.command in ("step", "bank", "log", "practice turn") and bind.argument == 0:
        yield "argument", "counts from 1"
    if bind.offset and bind.take not in ("number", "value"):
        yield "offset", 'goes with take = "number" or "value" only'
    if bind.encoder != "two's complement" and (bind.take, bind.message) != ("turn", "control"):
        yield "encoder", 'goes with take = "turn" and message = "control" only'
