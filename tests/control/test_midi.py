"""MIDI as a control: bytes in, commands out, through the config's own loader."""

import logging
import random
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

import pytest

from bridge.config.load import loads
from bridge.config.midi_settings import MidiCommand, MidiKind, MidiSettings
from bridge.control.inbox import INBOX, CommandInbox
from bridge.control.midi import BURST, COMMANDS_PER_S, PORTS_KEPT, QUIET_S, SHOWN_S, MidiControl
from bridge.control.midi_bindings import TapeWish
from bridge.control.midi_echo import ECHO_S, LOOP_ECHOES, LOOP_S, MUTED_S, EchoWatch
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
from bridge.readings import Frame, Health, Reading, StepReading, Trim

MACHINE = '[machine]\nname = "Test room"\ntracks = 16\n'
BANKS = '[audio]\ninputs = [{ "1-8" = "1-8" }, { "9-16" = "1-8" }]\n'


def midi(text: str) -> MidiSettings:
    return loads(MACHINE + BANKS + text, Path("studio.toml")).midi


def frame(tracks: range = range(1, 9), focus: int = 0, step: int = 2, held: bool = False) -> Frame:
    readings = tuple(Reading(track, -1.0, 0.5, 0.25, 0.1, "tone", -17.0, -18.0) for track in tracks)
    step_reading = StepReading(step, 12, "repro level", 1000.0, 15.0, 0.0, 0.1)
    return Frame(1.0, 10**18, 1000.0, step_reading, tracks[0] // 8 + 1, held, focus, readings, Health())


def trim() -> Trim:
    return Trim("m", 1, "repro", "repro level", 1000, 15, 0, -1, 0, 0.01, 0.1, 1, 2, 10**18, 10**18, "automatic")


class Room:
    """A control with an inbox, and a clock that the test turns."""

    def __init__(self, text: str, *, banks: int = 2) -> None:
        self.inbox = CommandInbox()
        self.echoes = EchoWatch()
        self.tape: list[str] = []
        self.now_s = 1000.0
        self.control = MidiControl(midi(text), banks, self.inbox, self.echoes, self._act)
        self.control.publish(frame(), 0.0)

    def _act(self, wish: TapeWish, now_s: float) -> str | None:
        self.tape.append(wish.action)
        return None

    def hear(self, data: str, port: str = "Foot board:out", after_s: float = 1.0) -> list[Command]:
        self.now_s += after_s
        self.control.receive(port, bytes.fromhex(data), self.now_s)
        return [request.command for request in self.inbox.take()]


def bind(**keys: Any) -> str:
    def toml(value: Any) -> str:
        return f'"{value}"' if isinstance(value, str) else str(value).lower()

    return "[[midi.bind]]\n" + "".join(f"{name} = {toml(value)}\n" for name, value in keys.items())


@pytest.mark.parametrize(
    ("keys", "data", "command"),
    [
        ({"message": "control", "number": 64, "command": "next"}, "B0 40 7F", NextStep()),
        ({"message": "control 14 bit", "number": 1, "command": "back"}, "B0 01 7F", PreviousStep()),
        ({"message": "note", "number": 60, "command": "repeat"}, "9F 3C 01", RepeatStep()),
        ({"message": "program", "number": 7, "command": "step", "argument": 3}, "C0 07", GoToStep(3)),
        ({"message": "program", "take": "number", "offset": 1, "command": "step"}, "C0 07", GoToStep(8)),
        ({"message": "pitch bend", "command": "bank", "argument": 2}, "E0 7F 7F", SelectBank(2)),
        ({"message": "channel pressure", "command": "focus", "argument": 5}, "D0 7F", Focus(5)),
        ({"message": "key pressure", "number": 1, "command": "hold"}, "A0 01 7F", Hold(True)),
        ({"message": "song select", "number": 9, "command": "go on"}, "F3 09", Hold(False)),
        ({"message": "song position", "command": "hold or go on"}, "F2 00 40", Hold(True)),
        ({"message": "note", "number": 1, "command": "follow"}, "90 01 7F", Follow(True)),
        ({"message": "note", "number": 1, "command": "stay"}, "90 01 7F", Follow(False)),
        ({"message": "note", "number": 1, "command": "follow or stay"}, "90 01 7F", Follow(False)),
        ({"message": "tune request", "command": "log", "argument": 4}, "F6", LogNow(4)),
        ({"message": "start", "command": "undo"}, "FA", Withdraw("t-9")),
        ({"message": "start", "command": "reinstate"}, "FA", Reinstate("t-9")),
        ({"message": "continue", "command": "note", "text": "azimuth set"}, "FB", Note("azimuth set")),
        ({"message": "stop", "command": "finish"}, "FC", Finish()),
        (
            {"message": "note", "number": 1, "command": "confirm", "text": "heads cleaned", "who": "the left pedal"},
            "90 01 01",
            Confirm("heads cleaned", "the left pedal"),
        ),
        (
            {"message": "note", "number": 1, "command": "take back", "text": "heads cleaned", "who": "the left pedal"},
            "90 01 01",
            TakeBack("heads cleaned", "the left pedal"),
        ),
        ({"message": "reset", "command": "back"}, "FF", PreviousStep()),
        # Parameter 130 = 1 × 128 + 2, its data entry at its upper end.
        ({"message": "registered parameter", "number": 130, "command": "next"}, "B0 65 01 64 02 06 7F", NextStep()),
        (
            {"message": "non-registered parameter", "number": 130, "last_number": 137, "take": "number"}
            | {"offset": -129, "command": "focus"},
            "B0 63 01 62 04 06 7F",
            Focus(3),
        ),
        (
            # The upper end of a way of 16384 that is divided among 12 steps.
            {"message": "non-registered parameter", "channel": 2, "take": "range", "command": "step"},
            "B1 63 01 62 04 06 7F B1 26 05",
            GoToStep(12),
        ),
        ({"message": "start", "command": "practice tone", "hz": 10_000}, "FA", PlayTone(10_000)),
        ({"message": "start", "command": "practice tone"}, "FA", PlayTone(1000)),  # that of the step
        ({"message": "start", "command": "practice path", "text": "sync"}, "FA", ListenTo("sync")),
        (
            {"message": "start", "command": "practice turn", "argument": 3, "text": "sync level", "share": -0.25},
            "FA",
            TurnTrimmer(3, "sync level", -0.25),
        ),
        (
            {"message": "system exclusive", "data": "7D 01 0f", "command": "next"},
            "F0 7D 01 0F F7",
            NextStep(),
        ),
    ],
)
def test_any_message_is_any_command(keys: dict[str, Any], data: str, command: Command) -> None:
    room = Room(bind(**keys))
    room.control.announce(trim(), "t-9", 0.0)
    assert room.hear(data) == [command]


SENT: dict[str, str] = {
    "note": "90 40 7F", "control": "B0 40 7F", "control 14 bit": "B0 01 7F", "program": "C0 05",
    "pitch bend": "E0 7F 7F",
    "registered parameter": "B0 65 01 64 02 06 7F", "non-registered parameter": "B0 63 01 62 02 06 7F",
    "channel pressure": "D0 7F", "key pressure": "A0 40 7F", "song position": "F2 7F 7F", "song select": "F3 05",
    "tune request": "F6", "start": "FA", "continue": "FB", "stop": "FC", "reset": "FF",
    "system exclusive": "F0 7D 01 F7",
}  # fmt: skip
NEEDED: dict[str, dict[str, Any]] = {
    "step": {"argument": 3}, "bank": {"argument": 2}, "focus": {"argument": 4}, "note": {"text": "a"},
    "confirm": {"text": "heads cleaned", "who": "pedal"}, "take back": {"text": "heads cleaned", "who": "pedal"},
    "log": {"argument": 4}, "practice turn": {"argument": 4}, "practice path": {"text": "sync"},
}  # fmt: skip


@pytest.mark.parametrize("message", get_args(MidiKind))
def test_every_message_can_be_bound_to_every_command(message: str) -> None:
    enabled = '[midi]\nmachine_control = true\nmachine_port = "Recorder"\n'
    data = {"data": "7D 01"} if message == "system exclusive" else {}
    done = set()
    for command in get_args(MidiCommand):
        room = Room(enabled + bind(message=message, command=command, **data, **NEEDED.get(command, {})))
        room.control.announce(trim(), "t-9", 0.0)
        taken = room.hear(SENT[message])
        assert len(taken) + len(room.tape) == 1, command
        done.add(str(taken or room.tape))
    # "hold" and "hold or go on" begin with the same, and so do "stay" and "follow or stay".
    assert len(done) == len(get_args(MidiCommand)) - 2


def test_what_is_not_bound_does_nothing() -> None:
    room = Room(bind(port="foot BOARD", message="control", channel=2, number=64, command="next"))
    for data in ("B0 40 7F", "B1 41 7F", "91 40 7F", "B1 40 00", "F0 7D F7", "F8 FE", "F1 04"):
        assert room.hear(data) == []
    assert room.hear("B1 40 7F", port="Keyboard") == []
    assert room.hear("B1 40 7F") == [NextStep()]


def test_values_that_count_as_pressed() -> None:
    room = Room(bind(message="control", number=64, command="next"))
    assert room.hear("B0 40 3F") == []  # 0-63 is off, 64-127 is on (Detailed Specification, "Switch" controllers)
    assert room.hear("B0 40 40") == [NextStep()]
    room = Room(bind(message="control", number=64, lowest_value=0, highest_value=9, command="next"))
    assert [room.hear(f"B0 40 {value:02X}") for value in (127, 10, 9, 0, 20, 0)] == [
        *([], [], [NextStep()], [], [], [NextStep()]),
    ]


def test_a_bouncing_foot_switch_is_pressed_once() -> None:
    room = Room(bind(message="control", number=64, command="next"))
    assert room.hear("B0 40 7F") == [NextStep()]
    assert room.hear("40 00 40 7F 40 00 40 7F", after_s=0.003) == []
    assert room.hear("40 00", after_s=1.0) == []
    assert room.hear("40 7F 40 00", after_s=0.002) == []
    assert room.hear("40 7F", after_s=1.0) == [NextStep()]


def test_a_pedal_whose_plug_was_pulled_while_it_was_down_acts_again_at_once() -> None:
    room = Room(bind(message="control", number=64, command="next"))
    assert room.hear("B0 40 7F") == [NextStep()]
    room.control.closed("Pads")
    assert room.hear("B0 40 7F") == []  # another input is gone: nothing new
    room.control.closed("Foot board:out")
    assert room.hear("B0 40 7F") == [NextStep()]


def test_inputs_that_come_and_go_under_ever_new_names_leave_nothing_behind() -> None:
    room = Room(bind(message="control", number=64, command="next"))
    ports = [f"Foot board {number}:out" for number in range(3 * PORTS_KEPT)]
    for port in ports:
        assert room.hear("40 B0 40 7F", port) == [NextStep()]
        room.control.closed(port)
    assert room.control.refused == len(ports)  # the byte without a status stays counted
    assert not room.control._readers
    assert len(room.control._allowances) == PORTS_KEPT


def test_an_input_that_is_back_has_chosen_nothing() -> None:
    """It may be another box of the same name: its first data entry belongs to no parameter."""
    room = Room(bind(message="non-registered parameter", take="value", offset=1, command="step"))
    assert room.hear("B0 63 00 62 01 06 00 26 02") == [GoToStep(1), GoToStep(3)]
    room.control.closed("Foot board:out")
    assert room.hear("B0 26 04") == []
    assert room.hear("B0 63 00 62 01 06 00 26 04") == [GoToStep(1), GoToStep(5)]


def test_a_flood_is_not_forgiven_when_its_plug_is_pulled() -> None:
    room = Room(bind(message="start", command="next"))
    assert len(room.hear("FA" * 200)) == BURST
    room.control.closed("Foot board:out")
    assert room.hear("FA", after_s=0.1) == []


def test_a_latching_switch_and_its_two_positions() -> None:
    each = Room(bind(message="control", number=66, switch="latching", command="next"))
    assert [each.hear(f"B0 42 {value}") for value in ("7F", "00", "7F")] == [[NextStep()]] * 3
    held = Room(
        bind(message="control", number=66, command="hold")
        + bind(message="control", number=66, lowest_value=0, highest_value=63, command="go on")
    )
    assert [held.hear(f"B0 42 {value}") for value in ("7F", "00", "7F")] == [[Hold(True)], [Hold(False)], [Hold(True)]]


def test_pads_mean_places_of_the_bank() -> None:
    room = Room(bind(message="note", number=36, last_number=44, take="number", offset=-35, command="focus"))
    assert room.hear("90 24 40") == [Focus(1)]
    assert room.hear("90 24 00 90 2B 10") == [Focus(8)]
    assert room.hear("90 2C 10") == []  # there is no ninth place
    assert room.control.refused == 1
    room.control.publish(frame(range(9, 17)), 0.0)
    assert room.hear("90 26 10") == [Focus(11)]


def test_a_controller_chooses_among_all_there_are() -> None:
    room = Room(bind(message="control", number=7, take="range", command="focus"))
    assert [room.hear(f"B0 07 {value:02X}") for value in (0, 15, 16, 127)] == [[Focus(1)], [], [Focus(2)], [Focus(8)]]
    room = Room(bind(message="control 14 bit", number=7, take="range", command="step"))
    assert room.hear("B0 07 00") == [GoToStep(1)]
    # 16383 × 12 / 16384 → step 12; the upper half alone, 16256, is step 12 already.
    assert room.hear("B0 07 7F 27 7F") == [GoToStep(12)]
    room = Room(bind(message="control", number=7, take="value", offset=-63, command="bank"))
    assert room.hear("B0 07 40") == [SelectBank(1)]
    room = Room(bind(message="pitch bend", take="range", command="bank"))
    assert [room.hear(data) for data in ("E0 7F 3F", "E0 00 40")] == [[SelectBank(1)], [SelectBank(2)]]


def test_an_endless_encoder_walks_through_the_tracks() -> None:
    room = Room(bind(message="control", number=60, take="turn", encoder="sign and size", command="focus"))
    heard = [room.hear(f"B0 3C {value:02X}", after_s=0.02) for value in (1, 1, 3, 65, 66, 127, 65)]
    assert heard == [[Focus(1)], [Focus(2)], [Focus(5)], [Focus(4)], [Focus(2)], [Focus(1)], []]


def test_an_encoder_that_counts_a_parameter_walks_too() -> None:
    """Data increment and decrement: controllers 96 and 97 of the parameter that was chosen, here 1 × 128 + 2."""
    keys: dict[str, Any] = {"message": "non-registered parameter", "number": 130}
    room = Room(bind(**keys, take="turn", command="focus"))
    moves = ("B0 63 01 62 02 60 00", "60 00 60 7F", "61 00", "63 01 62 02 61 7F", "06 05 26 01", "62 03 60 00")
    heard = [room.hear(move if move[0] == "B" else f"B0 {move}", after_s=0.02) for move in moves]
    assert heard == [[Focus(1)], [Focus(2), Focus(3)], [Focus(2)], [Focus(1)], [], []]
    room = Room(bind(**keys, take="value", command="step"))
    assert room.hear("B0 63 01 62 02 60 00 60 00 61 00") == [GoToStep(1), GoToStep(2), GoToStep(1)]
    room = Room(bind(**keys, take="turn", command="practice turn", argument=4))
    room.control.publish(frame(), 0.0)
    assert room.hear("B0 63 01 62 02 61 00") == [TurnTrimmer(4, "repro level", pytest.approx(-0.02))]


def test_an_endless_encoder_turns_a_practice_trimmer() -> None:
    """The one of the track in focus and of the step, as a screwdriver would; 50 clicks are its travel."""
    room = Room(bind(message="control", number=60, take="turn", command="practice turn"))
    assert room.hear("B0 3C 01") == []
    assert room.control.notice(room.now_s) == "not done: no track is in focus: there is no trimmer to turn"
    room.control.publish(frame(focus=6), 0.0)
    assert [room.hear(f"B0 3C {value}", after_s=0.02) for value in ("01", "03", "7F", "00", "40")] == [
        [TurnTrimmer(6, "repro level", pytest.approx(0.02))],
        [TurnTrimmer(6, "repro level", pytest.approx(0.06))],
        [TurnTrimmer(6, "repro level", pytest.approx(-0.02))],
        [],
        [TurnTrimmer(6, "repro level", -1.0)],
    ]
    named = {"take": "turn", "command": "practice turn", "argument": 2, "text": "repro high", "share": 0.1}
    room = Room(bind(message="control", number=60, **named))
    assert room.hear("B0 3C 02") == [TurnTrimmer(2, "repro high", pytest.approx(0.2))]


def test_pads_turn_practice_trimmers_of_their_places() -> None:
    room = Room(bind(message="note", number=36, last_number=43, take="number", offset=-35, command="practice turn"))
    room.control.publish(frame(range(9, 17)), 0.0)
    assert room.hear("90 25 40") == [TurnTrimmer(10, "repro level", pytest.approx(0.02))]


def test_a_practice_encoder_may_be_spun() -> None:
    """Five turns of 24 clicks in two seconds: more than hands may command, but no more than they may turn."""
    room = Room(bind(message="control", number=60, take="turn", command="practice turn", argument=1))
    assert sum(len(room.hear("B0 3C 01", after_s=1 / 60)) for _ in range(120)) == 120
    assert room.control.refused == 0


def test_commands_that_refer_to_what_is_shown(caplog: pytest.LogCaptureFixture) -> None:
    room = Room(
        bind(message="note", number=1, command="log")
        + bind(message="note", number=2, command="undo")
        + bind(message="note", number=3, command="hold or go on")
        + bind(message="note", number=4, command="reinstate")
        + bind(message="note", number=5, command="follow or stay")
    )
    with caplog.at_level(logging.WARNING):
        assert room.hear("90 01 7F 90 01 00 90 02 7F 90 02 00") == []
        # The same reason for another command is the same refusal.
        assert room.hear("90 04 7F 90 04 00") == []
    assert [record.getMessage() for record in caplog.records] == [
        "MIDI input Foot board:out: no track is in focus: nothing to log",
        "MIDI input Foot board:out: no trim was logged yet",
    ]
    room.control.publish(frame(focus=6, held=True), 0.0)
    room.control.announce(trim(), "t-1", 0.0)
    room.control.announce(trim(), "t-2", 0.0)
    assert room.hear("90 01 7F 90 02 7F 90 03 7F") == [LogNow(6), Withdraw("t-2"), Hold(False)]
    assert room.hear("90 05 7F 90 05 00") == [Follow(False)]
    room.control.publish(replace(frame(), follows=False), 0.0)
    assert room.hear("90 05 7F 90 05 00", after_s=1.0) == [Follow(True)]
    # What undo has taken back, reinstate lets stand again: the newest trim.
    assert room.hear("90 04 7F") == [Reinstate("t-2")]


def test_a_refusal_is_said_once_an_episode_and_shown_for_a_while(caplog: pytest.LogCaptureFixture) -> None:
    room = Room(bind(message="program", take="number", command="log") + bind(message="start", command="undo"))
    with caplog.at_level(logging.WARNING):
        for data in ("C063", "C063", "C063", "FA", "FA"):
            room.hear(data)
    assert [record.getMessage() for record in caplog.records] == [
        "MIDI input Foot board:out: there is no track at place 99 of the bank: it has 8",
        "MIDI input Foot board:out: no trim was logged yet",
    ]
    assert room.control.refused == 5
    assert room.control.notice(room.now_s + 1.0) == "not done: no trim was logged yet"
    assert room.control.notice(room.now_s + SHOWN_S) == ""


def test_the_recorder_is_asked_only_where_that_is_enabled() -> None:
    enabled = '[midi]\nmachine_control = true\nmachine_port = "Sync box"\n'
    room = Room(enabled + "".join(bind(message="note", number=n, command=f"tape {what}") for n, what in TAPE))
    assert room.hear("90 01 7F 90 02 7F 90 03 7F") == []
    assert room.tape == ["stop", "play", "to tone"]
    with pytest.raises(Exception, match="needs machine_control = true"):
        Room(bind(message="note", number=1, command="tape play"))
    with pytest.raises(Exception, match='command = "tape record"'):
        Room(enabled + bind(message="note", number=1, command="tape record"))


# 01:30:35:20 (RP-004/008, worked example)
QUARTER_FRAMES = ("F104", "F111", "F123", "F132", "F14E", "F151", "F161", "F176")

TAPE = ((1, "stop"), (2, "play"), (3, "to tone"))


def test_time_code_is_followed_on_its_own_input_only() -> None:
    room = Room('[midi]\ntime_code = "Sync box"\n' + bind(message="note", command="next"))
    for piece in QUARTER_FRAMES:
        room.hear(piece, port="Keyboard", after_s=1 / 120)
    assert room.control.tape_time(room.now_s) is None
    for piece in QUARTER_FRAMES:
        room.hear(piece, port="the Sync Box 24:0", after_s=1 / 120)
    time = room.control.tape_time(room.now_s + 1 / 120)
    assert time is not None
    assert (str(time[0]), time[1]) == ("01:30:35:22", True)
    assert (room.control.lost, room.control.refused) == (0, 0)


def test_gaps_and_jumps_of_time_code_are_counted_and_told_once(caplog: pytest.LogCaptureFixture) -> None:
    room = Room('[midi]\ntime_code = "Sync box"\n')
    with caplog.at_level(logging.INFO):
        for _ in range(3):
            for piece in ("F104", "F111", "F123", "F151", "F161"):  # pieces 3 and 4 are missing
                room.hear(piece, port="Sync box", after_s=1 / 120)
        for frame_number in (0, 0x1E):  # full frames: frame 30 does not exist
            room.hear(f"F07F7F010161 1E 23 {frame_number:02X} F7", port="Sync box")
        for pieces in (QUARTER_FRAMES, QUARTER_FRAMES):  # the same again is a jump back
            for piece in pieces:
                room.hear(piece, port="Sync box", after_s=1 / 120)
    assert room.control.lost == 3 + 2  # in each round one gap, and one before the next round
    assert room.control.refused == 1
    told = [record.getMessage() for record in caplog.records]
    assert told[0] == "MIDI input Sync box: parts of its time code are missing or wrong"
    assert "MIDI input Sync box: its time code jumps to 01:30:35:21" in told


def test_what_we_sent_ourselves_is_no_command() -> None:
    room = Room(bind(message="note", command="next"))
    pad = bytes.fromhex("90 24 7F")
    room.echoes.sent(0, pad, room.now_s)
    assert room.hear("90 24 7F", after_s=0.01) == []
    assert room.echoes.echoes == 1
    # One message comes back once; the second is a hand.
    assert room.hear("90 24 7F", after_s=0.01) == [NextStep()]
    room.hear("90 24 00", after_s=1.0)
    room.echoes.sent(0, pad, room.now_s)
    assert room.hear("90 24 7F", after_s=2 * ECHO_S) == [NextStep()]


def test_an_output_that_keeps_coming_back_is_muted_and_tried_again() -> None:
    watch = EchoWatch()
    now_s = 50.0
    for number in range(LOOP_ECHOES):
        assert not watch.muted(3, now_s)
        watch.sent(3, bytes((0x90, number, 1)), now_s)
        watch.sent(4, bytes((0xB0, number, 1)), now_s)
        now_s += LOOP_S / LOOP_ECHOES / 2
        assert watch.echo(bytes((0x90, number, 1)), now_s) == 3
    assert watch.muted(3, now_s)
    assert not watch.muted(4, now_s)
    assert watch.muted(3, now_s + MUTED_S / 2)
    assert not watch.muted(3, now_s + MUTED_S)
    watch.opened(3)
    assert not watch.muted(3, now_s)


def test_a_few_echoes_are_no_loop() -> None:
    watch = EchoWatch()
    for number in range(10 * LOOP_ECHOES):
        now_s = 50.0 + number * LOOP_S / (LOOP_ECHOES - 2)
        watch.sent(0, b"\x90\x01\x01", now_s)
        assert watch.echo(b"\x90\x01\x01", now_s + 0.01) == 0
        assert not watch.muted(0, now_s)


def test_more_commands_than_hands_make_are_not_done(caplog: pytest.LogCaptureFixture) -> None:
    room = Room(bind(message="program", take="number", offset=1, command="step"))
    done = 0
    with caplog.at_level(logging.ERROR):
        for number in range(2000):
            done += len(room.hear(f"C0 {number % 100:02X}", after_s=0.001))
    assert done <= BURST + 2 * COMMANDS_PER_S
    assert done >= BURST
    assert len(caplog.records) == 1
    assert "makes more commands than hands can" in caplog.text
    assert room.hear("C0 05", port="Pads") == [GoToStep(6)]  # the others are heard
    assert room.hear("C0 05", after_s=2 * QUIET_S) == [GoToStep(6)]


def test_a_full_inbox_is_said() -> None:
    room = Room(bind(message="program", take="number", offset=1, command="step"))
    for _ in range(INBOX + 3):
        room.now_s += 0.5
        room.control.receive("a", b"\xc0\x01", room.now_s)
    assert len(room.inbox.take()) == INBOX
    assert room.control.refused == 3


def test_random_bytes_do_no_more_than_commands() -> None:
    text = "".join(bind(message=kind, command="next") for kind in ("note", "control", "program", "pitch bend", "start"))
    room = Room('[midi]\ntime_code = "Noise"\n' + text)
    noise = random.Random(6).randbytes(30_000)
    for at in range(0, len(noise), 30):
        room.now_s += 0.001
        room.control.receive("Noise", noise[at : at + 30], room.now_s)
        for request in room.inbox.take():
            assert request.command == NextStep()
    assert room.control.refused > 1000
