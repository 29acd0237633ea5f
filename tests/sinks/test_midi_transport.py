"""Where tones begin, learned from time code, and what the recorder is sent."""

import time

import pytest

from bridge.config.midi_settings import MidiSettings, MidiToneSettings
from bridge.control.midi_echo import LOOP_ECHOES, EchoWatch
from bridge.readings import Frame, Health, StepReading
from bridge.sinks.midi import MidiSink
from bridge.sinks.midi_pacing import WAITING
from bridge.sinks.midi_transport import Transport
from bridge.tape.calibration_tape import CalibrationTape
from bridge.tape.calibration_tape import Tone as ToneOfTape
from bridge.tape.equalization import Equalization
from bridge.wire.midi_time_code import TimeCode
from tests.wire.waiting import wait_until

FPS = 25
HOUSE = CalibrationTape(250.0, 15, Equalization.named("iec1", 15), (ToneOfTape(1000), ToneOfTape(10_000)))
OTHER = CalibrationTape(320.0, 15, Equalization.named("iec1", 15), (ToneOfTape(1000), ToneOfTape(10_000)))
STOP, PLAY = "f07f7f0601f7", "f07f7f0602f7"


class Tape:
    """A tape with 1 kHz from 10 s to 40 s and 10 kHz from 45 s on; the step wants what the test says."""

    def __init__(self, **keys: object) -> None:
        settings = MidiSettings(**({"machine_control": True, "machine_port": "Sync box"} | keys))  # type: ignore[arg-type]
        self.sent: list[str] = []
        self.problem: str | None = None
        self.transport = Transport(settings, lambda number: self.on.get(number, HOUSE), self._time, self._send)
        self.on: dict[int, CalibrationTape | None] = {}
        self.running = False
        self.at_s = 0.0
        self.now_s = 500.0

    def _send(self, message: bytes) -> str | None:
        self.sent.append(message.hex())
        return self.problem

    def _time(self, now_s: float) -> tuple[TimeCode, bool] | None:
        return TimeCode.from_count(round(self.at_s * FPS), 1), self.running

    def play(self, from_s: float, to_s: float, step: int = 1, step_hz: float = 1000.0) -> None:
        """Play a stretch; what is heard of a tone begins at its start or at ours."""
        self.running = True
        tones = ((10.0, 40.0, 1002.0), (45.0, 60.0, 10_020.0))
        self.at_s = from_s
        while self.at_s < to_s:
            begin_s, hz = next(((max(b, from_s), hz) for b, e, hz in tones if b <= self.at_s < e), (0.0, 0.0))
            self.show(step, step_hz, hz, self.at_s - begin_s if hz else 0.0)
            self.at_s += 0.04
            self.now_s += 0.04
        self.running = False

    def show(self, step: int, step_hz: float, hz: float = 0.0, tone_s: float = 0.0, *, ips: float = 15.0) -> None:
        reading = StepReading(step, 4, "repro level", step_hz, ips, 0.0, 0.25)
        self.transport.publish(Frame(self.now_s, 10**18, hz, reading, 1, False, 0, (), Health(), tone_s), self.now_s)


def test_a_tone_that_was_heard_from_its_beginning_is_known() -> None:
    tape = Tape()
    tape.play(0.0, 50.0)
    heard = tape.transport.position(1000.0, 15.0)
    assert heard is not None
    assert abs(heard.position_s - 10.0) <= 0.08
    later = tape.transport.position(10_000.0, 15.0)
    assert later is not None
    assert abs(later.position_s - 45.0) <= 0.08
    assert tape.transport.position(100.0, 15.0) is None
    assert tape.transport.act("to tone") is None
    # Locate with its target: 25 frames a second are rate 1, so the hours begin with 20 (MMC 1.0, standard time code).
    assert len(tape.sent) == 1
    assert tape.sent[0].startswith("f07f7f06440601" + "20000a")


def test_where_play_began_is_not_where_the_tone_begins() -> None:
    tape = Tape()
    tape.play(20.0, 30.0)
    assert tape.transport.position(1000.0, 15.0) is None
    assert "is not known" in (tape.transport.act("to tone") or "")
    tape.play(0.0, 5.0, step_hz=1000.0)
    tape.play(9.0, 15.0)
    known = tape.transport.position(1000.0, 15.0)
    assert known is not None
    assert abs(known.position_s - 10.0) <= 0.08
    assert tape.sent == []


def test_what_is_written_counts_until_it_was_heard() -> None:
    tape = Tape(tone=(MidiToneSettings(hz=1000, position="01:00:10:05"),))
    tape.show(1, 1000.0)
    assert tape.transport.act("to tone") is None
    assert tape.sent == ["f07f7f06440601" + "61000a0500f7"]  # rate 3, hour 1


def test_nothing_is_sent_unless_it_is_enabled() -> None:
    tape = Tape(machine_control=False, locate_on_step=True)
    tape.play(0.0, 50.0)
    assert "not enabled" in (tape.transport.act("play") or "")
    assert "not enabled" in (tape.transport.act("stop") or "")
    assert "not enabled" in (tape.transport.act("to tone") or "")
    tape.show(2, 10_000.0)
    assert tape.sent == []


def test_stop_and_play_go_to_the_device() -> None:
    tape = Tape(machine_device=127)
    assert tape.transport.act("stop") is None
    assert tape.transport.act("play") is None
    assert tape.sent == [STOP, PLAY]
    one = Tape(machine_device=5)
    one.transport.act("stop")
    assert one.sent == ["f07f050601f7"]


def test_a_new_step_winds_to_its_tone_where_that_is_wanted() -> None:
    tape = Tape(locate_on_step=True)
    tape.play(0.0, 50.0)
    assert tape.sent == []
    tape.show(2, 10_000.0)
    assert len(tape.sent) == 1
    tape.show(2, 10_000.0)
    tape.show(3, 100.0)  # not known: nothing is sent, and nobody asked
    assert len(tape.sent) == 1
    quiet = Tape()
    quiet.play(0.0, 50.0)
    quiet.show(2, 10_000.0)
    assert quiet.sent == []


def test_a_tone_during_which_the_time_code_jumps_is_not_learned() -> None:
    """The synchronizer is set anew while it plays: where it began is told by neither numbering."""
    tape = Tape()
    tape.running = True
    for tick in range(100):
        tone_s = (tick - 40) * 0.04
        tape.show(1, 1000.0, *((1000.0, tone_s) if tone_s > 0 else ()))
        tape.at_s += 100.0 if tick == 50 else 0.04
        tape.now_s += 0.04
    assert tape.transport.position(1000.0, 15.0) is None
    tape.play(0.0, 15.0)
    known = tape.transport.position(1000.0, 15.0)
    assert known is not None
    assert abs(known.position_s - 10.0) <= 0.08


def test_a_recorder_that_cannot_be_reached_is_said_and_sent_nothing_later() -> None:
    watch = EchoWatch()
    names, sent = {0: ""}, list[bytes]()
    settings = MidiSettings(machine_control=True, machine_port="Sync box")

    def send(_index: int, message: bytes) -> bool:
        sent.append(message)
        return True

    sink = MidiSink(settings, send, lambda index: names[index], watch)
    transport = Transport(settings, lambda _number: HOUSE, lambda _now_s: None, sink.command)
    assert transport.act("play") == "the MIDI output to the recorder is not there"
    names[0] = "Sync box"
    assert transport.act("play") is None  # it waits for the thread, which has not begun
    now_s = time.monotonic()
    for number in range(LOOP_ECHOES):
        watch.sent(0, bytes((0x90, number, 1)), now_s)
        watch.echo(bytes((0x90, number, 1)), now_s)
    assert (transport.act("stop") or "").startswith("the MIDI output to the recorder is muted")
    sink.start()
    try:
        wait_until(lambda: sink._outputs[0].looped._last_s > now_s)  # it was looked at while muted
        watch.opened(0)  # heard again
        assert transport.act("stop") is None
        wait_until(lambda: bool(sent))
        assert [message.hex() for message in sent] == [STOP]
    finally:
        sink.stop()


def test_tape_commands_that_the_wire_has_no_room_for_are_counted_and_said_once(
    caplog: pytest.LogCaptureFixture,
) -> None:
    sent: list[bytes] = []

    def send(_index: int, message: bytes) -> bool:
        sent.append(message)
        return True

    settings = MidiSettings(machine_control=True, machine_port="Sync box")
    sink = MidiSink(settings, send, lambda _index: "Sync box", EchoWatch())
    for number in range(WAITING + 7):
        assert sink.command(bytes((0x90, number, 1))) is None
    sink.start()
    try:
        wait_until(lambda: len(sent) == WAITING)
        # The newest are what the person wants by now.
        assert [message[1] for message in sent] == list(range(7, WAITING + 7))
        assert sink.dropped_commands == 7
        assert sink.problem == "the MIDI output to the recorder did not take 7 tape commands in time: not sent"
        assert caplog.text.count(sink.problem) == 1
    finally:
        sink.stop()


@pytest.mark.parametrize(("taken", "lost"), [(0, 1), (0, 3), (1, 2)])
def test_tape_commands_that_an_output_is_gone_for_are_all_counted_with_the_reason(
    caplog: pytest.LogCaptureFixture, taken: int, lost: int
) -> None:
    asked: list[bytes] = []

    def send(_index: int, message: bytes) -> bool:
        asked.append(message)
        return len(asked) <= taken

    settings = MidiSettings(machine_control=True, machine_port="Sync box")
    sink = MidiSink(settings, send, lambda _index: "Sync box", EchoWatch())
    for number in range(taken + lost):
        assert sink.command(bytes((0x90, number, 1))) is None
    sink.start()
    try:
        wait_until(lambda: sink.dropped_commands == lost)
        assert len(asked) == taken + 1  # after the first that fails none is tried
        commands = "1 tape command" if lost == 1 else f"{lost} tape commands"
        assert sink.problem == f"the MIDI output to the recorder went away before it took {commands}: not sent"
        assert caplog.text.count(sink.problem) == 1
    finally:
        sink.stop()


def test_a_tape_command_whose_output_goes_away_before_it_is_looked_at_is_counted_at_once() -> None:
    names = {0: "Sync box"}
    settings = MidiSettings(machine_control=True, machine_port="Sync box")
    sink = MidiSink(settings, lambda _index, _message: True, lambda index: names[index], EchoWatch())
    assert sink.command(bytes((0x90, 0, 1))) is None
    names[0] = ""
    sink.start()
    try:
        wait_until(lambda: sink.dropped_commands == 1)
        assert sink.problem == "the MIDI output to the recorder went away before it took 1 tape command: not sent"
    finally:
        sink.stop()


def test_tape_commands_that_a_mute_has_cost_are_not_said_to_be_late(caplog: pytest.LogCaptureFixture) -> None:
    watch = EchoWatch()
    settings = MidiSettings(machine_control=True, machine_port="Sync box")
    sink = MidiSink(settings, lambda _index, _message: True, lambda _index: "Sync box", watch)
    for number in range(2):
        assert sink.command(bytes((0x90, number, 1))) is None
    now_s = time.monotonic()
    for number in range(LOOP_ECHOES):
        watch.sent(0, bytes((0x90, number, 1)), now_s)
        watch.echo(bytes((0x90, number, 1)), now_s)
    sink.start()
    try:
        wait_until(lambda: sink.dropped_commands == 2)
        assert sink.problem == "what is sent to MIDI output Sync box comes back in: it is muted"
        watch.opened(0)  # heard again
        said = "what is sent to the MIDI output to the recorder comes back in: 2 tape commands not sent"
        assert sink.problem == said
        assert caplog.text.count(said) == 1
        assert "in time" not in caplog.text
    finally:
        sink.stop()


def test_the_tape_commands_that_are_said_to_be_lost_are_those_of_this_time(caplog: pytest.LogCaptureFixture) -> None:
    settings = MidiSettings(machine_control=True, machine_port="Sync box")
    sink = MidiSink(settings, lambda _index, _message: False, lambda _index: "Sync box", EchoWatch())

    def lose(total: int, quiet_s: float) -> str:
        sink._dropping.quiet_s = quiet_s
        assert sink.command(bytes((0x90, total, 1))) is None
        wait_until(lambda: sink.dropped_commands == total)
        return sink.problem

    sink.start()
    try:
        for number, quiet_s in enumerate((0.0, 60.0, 60.0, 0.0), 1):
            commands = {1: "1 tape command", 2: "2 tape commands", 3: "3 tape commands", 4: "1 tape command"}[number]
            assert f"before it took {commands}: not sent" in lose(number, quiet_s)
        assert caplog.text.count("not sent") == 2
    finally:
        sink.stop()


def test_at_another_speed_nothing_winds_and_nothing_is_known_of_the_other_tape() -> None:
    written = (
        MidiToneSettings(hz=1000, speed_ips=15, position="01:00:10:05"),
        MidiToneSettings(hz=100, position="01:00:00:00"),
    )
    tape = Tape(locate_on_step=True, tone=written)
    tape.play(0.0, 50.0)
    tape.sent.clear()
    # What still plays is the tape of before.
    tape.running, tape.at_s = True, 49.0
    for _ in range(10):
        tape.show(2, 1000.0, 10_020.0, 4.0, ips=30.0)
    tape.running = False
    # A reel must not start under the hands of somebody who changes the tape.
    tape.show(2, 1000.0, ips=30.0)
    assert tape.sent == []
    assert "not known" in str(tape.transport.act("to tone"))
    assert tape.transport.position(1000.0, 30.0) is None
    assert tape.transport.position(10_000.0, 30.0) is None
    assert tape.transport.position(100.0, 30.0) is not None
    tape.show(3, 100.0, ips=30.0)
    assert len(tape.sent) == 1
    tape.show(1, 1000.0)
    assert len(tape.sent) == 1
    assert tape.transport.act("to tone") is None
    assert len(tape.sent) == 2


def test_with_another_tape_for_the_same_speed_nothing_winds_and_nothing_is_known_of_it() -> None:
    tape = Tape(locate_on_step=True)
    tape.on = {2: OTHER, 3: OTHER}
    tape.play(0.0, 50.0)
    tape.sent.clear()
    # What still plays is the tape of before; and whoever takes it off has both hands at the reels.
    tape.running, tape.at_s = True, 49.0
    for _ in range(10):
        tape.show(2, 1000.0, 10_020.0, 4.0)
    tape.running = False
    tape.show(2, 1000.0)
    assert tape.sent == []
    assert tape.transport.position(1000.0, 15.0) is None
    assert tape.transport.position(10_000.0, 15.0) is None
    tape.play(0.0, 50.0, step=2)
    assert tape.transport.position(10_000.0, 15.0) is not None
    tape.show(3, 10_000.0)
    assert len(tape.sent) == 1
    tape.show(1, 1000.0)
    assert len(tape.sent) == 1
    assert tape.transport.position(1000.0, 15.0) is not None


def test_nothing_winds_by_itself_to_from_or_within_the_record_side() -> None:
    """It would start a reel while the blank tape is threaded, or leave a recording that is under way."""
    written = tuple(MidiToneSettings(hz=hz, position="01:00:10:00") for hz in (1000.0, 10_000.0))
    tape = Tape(locate_on_step=True, tone=written)
    tape.on = {3: None, 4: None}
    tape.show(1, 1000.0)
    tape.show(3, 10_000.0)
    tape.show(4, 1000.0)
    tape.show(2, 10_000.0)
    assert tape.sent == []
    tape.show(1, 1000.0)
    assert len(tape.sent) == 1
    # Who asks for it gets it.
    tape.show(3, 10_000.0)
    assert tape.transport.act("to tone") is None
    assert len(tape.sent) == 2
