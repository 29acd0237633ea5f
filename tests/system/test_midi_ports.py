"""MIDI ports of a real JACK server: independent senders and receivers, ports that vanish and return, loops."""

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bridge.config.load import loads
from bridge.control.inbox import CommandInbox
from bridge.daemon.midi import Midi
from bridge.procedure.commands import NextStep
from bridge.readings import Frame, Health, Reading, StepReading
from bridge.wire import midi_ports
from bridge.wire.midi_ports import MidiPorts
from tests.system.jack import JackServer, found_by_this_process, wait_until
from tests.system.midi import Dump, Player, Sequencer


@contextmanager
def own_server() -> Iterator[JackServer]:
    # A killed client must not stop the server for seconds, as it would in synchronous mode.
    with JackServer(channels=2, synchronous=False) as one, found_by_this_process(one):
        yield one


@pytest.fixture(scope="module")
def server() -> Iterator[JackServer]:
    with own_server() as one:
        yield one


@pytest.fixture
def mortal() -> Iterator[JackServer]:
    with own_server() as one:
        yield one


@contextmanager
def opened(ports: MidiPorts) -> Iterator[MidiPorts]:
    ports.start()
    try:
        yield ports
    finally:
        ports.stop()


def heard_again(player: Player, message: str, heard: list[bytes]) -> None:
    """Return when a message is heard; a hand that is not heard tries again."""
    tried_s = 0.0

    def there() -> bool:
        nonlocal tried_s
        if time.monotonic() - tried_s > 0.5:
            tried_s = time.monotonic()
            player.send(message)
        return bytes.fromhex(message) in heard

    wait_until(there, f"{message} is heard")


def test_an_independent_sender_is_heard(server: JackServer) -> None:
    heard: list[tuple[str, str]] = []
    with (
        opened(MidiPorts(["sequ"], [], "", lambda name, data, _: heard.append((name, data.hex())))) as ports,
        Sequencer(server, "Sequencer 7", 60, 4800),
    ):
        wait_until(lambda: len(heard) >= 4, "jack_midiseq is heard")
        assert ports.state == "ready"
        assert {name for name, _ in heard} == {"Sequencer 7:out"}
        # jack_midiseq sends note on 90 and note off 80 with velocity 64 (its source, midiseq.c).
        assert {data for _, data in heard} == {"903c40", "803c40"}


def test_an_independent_receiver_hears_what_is_sent_and_nothing_else(server: JackServer) -> None:
    with Dump(server, "Ring box") as dump, opened(MidiPorts([], ["ring"], "", lambda *_: None)) as ports:
        wait_until(lambda: ports.state == "ready", "the port is open")
        assert ports.output(0) == "Ring box:input"
        assert ports.send(0, bytes.fromhex("B01040"))
        assert not ports.send(0, bytes.fromhex("F07F7F0606F7"))  # a record command
        assert not ports.send(1, bytes.fromhex("B01041"))
        assert ports.send(0, bytes.fromhex("F07F7F06440601210203 0400F7"))
        wait_until(lambda: len(dump.heard) >= 2, "jack_midi_dump has it")
        assert dump.heard[0] == "b01040"
        assert len(dump.heard) == 2
        assert ports.refused_messages == 1


def test_ports_that_vanish_and_return_under_load(mortal: JackServer) -> None:
    heard: list[bytes] = []
    with opened(MidiPorts(["Foot board", "Other"], [], "", lambda _name, data, _at: heard.append(data))) as ports:
        assert ports.missing == ("Foot board", "Other")
        assert ports.problem == 'no MIDI port "Foot board" and "Other"'
        with Player(mortal, "Other") as other:
            flooding = threading.Event()

            def flood() -> None:
                while not flooding.wait(0.02):
                    other.send("flood 50")

            wait_until(lambda: len(ports.inputs) == 1, "the other port is open")
            thread = threading.Thread(target=flood)
            thread.start()
            try:
                for time_around in range(3):
                    with_plug = Player(mortal, "Foot board")
                    wait_until(lambda: ports.state == "ready", "both ports are open")
                    heard_again(with_plug, f"C0{time_around:02X}", heard)
                    with_plug.kill()
                    wait_until(lambda: ports.missing == ("Foot board",), "the loss is seen")
                    assert ports.losses == time_around + 1
            finally:
                flooding.set()
                thread.join()
            assert ports.lost_messages == 0


def test_a_port_that_was_back_before_anybody_looked(server: JackServer, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the connection is cut, as by a plug that is in again at once: the name never left the list."""
    heard: list[bytes] = []
    gone: list[str] = []
    with (
        Player(server, "Foot board") as foot,
        opened(MidiPorts(["Foot board"], [], "", lambda _n, data, _t: heard.append(data), closed=gone.append)) as ports,
    ):
        wait_until(lambda: ports.state == "ready", "the port is open")
        ours = next(there for here, there in server.wires() if here == "Foot board:out")
        subprocess.run(["jack_disconnect", "Foot board:out", ours], env=server.environment, check=True)
        wait_until(lambda: ports.losses == 1 and ports.state == "ready", "it is open again")
        assert gone == ["Foot board:out"]
        foot.send("C001")
        wait_until(lambda: heard == [b"\xc0\x01"], "it is heard")


def test_the_server_dies_and_returns(mortal: JackServer, caplog: pytest.LogCaptureFixture) -> None:
    heard: list[bytes] = []
    gone: list[str] = []
    with opened(
        MidiPorts([""], ["Ring box"], "", lambda _n, data, _t: heard.append(data), closed=gone.append)
    ) as ports:
        first = Player(mortal, "Foot board")
        wait_until(lambda: ports.inputs == ("Foot board:out",), "the port is open")
        mortal.kill()
        wait_until(lambda: ports.inputs == (), "its end is seen")
        wait_until(lambda: gone == ["Foot board:out"], "it is told whose input is gone")
        assert ports.problem == "the JACK server is gone"
        first.kill()
        mortal.start()
        with Player(mortal, "Foot board") as foot, Dump(mortal, "Ring box") as dump:
            wait_until(lambda: ports.state == "ready" and len(ports.inputs) == 1, "all ports are open again")
            assert ports.problem == ""
            heard_again(foot, "C005", heard)
            assert ports.send(0, bytes.fromhex("B01040"))
            wait_until(lambda: dump.heard == ["b01040"], "it is sent")
            warnings = [record.getMessage() for record in caplog.records if record.levelname != "INFO"]
            assert warnings == ["MIDI: the JACK server is gone"]


def test_our_own_ports_are_not_heard(server: JackServer) -> None:
    with (
        Dump(server, "Ring box"),
        opened(MidiPorts([""], ["Ring box"], "", lambda *_: None)) as ports,
        opened(MidiPorts([""], ["Ring box"], "", lambda *_: None)) as others,
        Player(server, "Foot board"),
    ):
        wait_until(lambda: ports.inputs == others.inputs == ("Foot board:out",), "only the foot board is heard")


def test_a_child_that_hangs_or_dies_is_replaced(mortal: JackServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(midi_ports, "HUNG_S", 3.0)
    heard: list[bytes] = []
    with (
        Player(mortal, "Foot board") as foot,
        opened(MidiPorts(["Foot board"], [], "", lambda _n, data, _t: heard.append(data))) as ports,
    ):
        for number, signal in enumerate(("STOP", "KILL")):
            wait_until(lambda: ports.state == "ready", "the port is open")
            child = ports._process
            assert child is not None
            subprocess.run(["kill", f"-{signal}", str(child.pid)], check=True)
            wait_until(lambda: ports._process not in (child, None), "there is a new one")  # noqa: B023
            wait_until(lambda: ports.state == "ready", "the port is open again")
            heard_again(foot, f"C0{number:02X}", heard)
        assert ports.losses >= 2


def test_without_the_library_it_says_so_and_does_nothing(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    monkeypatch.setattr(midi_ports.importlib.util, "find_spec", lambda _name: None)
    with opened(MidiPorts(["Foot board"], ["Ring box"], "", lambda *_: None)) as ports:
        assert ports.state == "failed"
        assert ports.problem == "python-rtmidi is not installed: MIDI needs Python 3.11 or 3.12"
        assert not ports.send(0, bytes.fromhex("B01040"))
    assert [record.getMessage() for record in caplog.records] == [f"MIDI: {ports.problem}"]


def test_without_a_port_nothing_is_started() -> None:
    before = threading.active_count()
    with opened(MidiPorts([], [], "", lambda *_: None)) as ports:
        assert ports.state == "off"
        assert threading.active_count() == before


MACHINE = '[machine]\nname = "Test room"\ntracks = 8\n'


def frame(number: int) -> Frame:
    readings = tuple(
        Reading(track, 0.0, (number * 0.37 + track) % 6 - 3, 0.0, 0.1, "tone", -17.0, -18.0) for track in range(1, 9)
    )
    return Frame(
        1.0, 10**18, 1000.0, StepReading(1, 3, "repro level", 1000, 15, 0, 0.1), 1, False, 0, readings, Health()
    )


def show_until(midi: Midi, condition: Callable[[], bool], what: str) -> None:
    """Publish frames, as the daemon does, until a condition holds."""
    shown = 0

    def once() -> bool:
        nonlocal shown
        shown += 1
        midi.publish(frame(shown), time.monotonic())
        time.sleep(1 / 60)  # the pace of the frames is what is simulated here, not a wait for something
        return condition()

    wait_until(once, what)


def test_a_feedback_loop_is_detected_and_stopped(server: JackServer, caplog: pytest.LogCaptureFixture) -> None:
    """A box that sends back whatever it is told, and whose every controller is bound."""
    text = MACHINE + (
        '[[midi.bind]]\nport = "Ring box"\nmessage = "control"\nlowest_value = 0\nswitch = "latching"\n'
        'debounce_s = 0.0\ncommand = "next"\n'
        '[[midi.meter]]\nport = "Ring box"\nnumber = 16\nplaces = 8\n'
    )
    inbox = CommandInbox()
    midi = Midi(loads(text, Path("studio.toml")), inbox)
    with Player(server, "Ring box", thru=True) as box:
        midi.start()
        try:
            wait_until(lambda: midi.state == "ready", "its ports are open")
            show_until(midi, lambda: "comes back in" in midi.problem, "the loop is seen")
            sent = len(box.heard)
            show_until(midi, lambda: time.monotonic() > 0 and "comes back in" in midi.problem, "it stays muted")
            # Some may be under way when it is muted; then there are no more.
            wait_until(lambda: len(box.heard) >= sent, "all have arrived")
            assert inbox.take() == []
            # A hand on the same box is still heard.
            box.send("B04055")
            commands = []
            wait_until(lambda: bool(commands.extend(r.command for r in inbox.take()) or commands), "the hand is heard")
            assert commands == [NextStep()]
        finally:
            midi.stop()
    assert caplog.text.count("comes back in") == 1


def test_what_a_wire_is_given_at_most(server: JackServer) -> None:
    """Eight fine rings that change all the time, over 2 s: no more bytes than the wire carries, and all are served."""
    text = MACHINE + '[[midi.meter]]\nport = "Ring box"\nmessage = "control 14 bit"\nnumber = 0\nplaces = 8\n'
    midi = Midi(loads(text, Path("studio.toml")), CommandInbox())
    with Dump(server, "Ring box") as dump:
        midi.start()
        try:
            wait_until(lambda: midi.state == "ready", "its port is open")
            began_s = time.monotonic()
            show_until(midi, lambda: time.monotonic() - began_s > 2.0, "two seconds are over")
            spent_s = time.monotonic() - began_s
        finally:
            midi.stop()
        messages = list(dump.heard)
    assert sum(len(message) // 2 for message in messages) <= 2500 * (spent_s + 0.1)
    assert {message[2:4] for message in messages} >= {f"{number:02x}" for number in range(8)}
    last: dict[str, str] = {}
    for message in messages:
        if int(message[2:4], 16) < 32:  # a lower half may repeat after another upper one
            assert last.get(message[:4]) != message[4:], "sent twice"
            last[message[:4]] = message[4:]


def test_time_code_over_a_real_port(server: JackServer) -> None:
    """The worked example of RP-004/008, 01:30:35:20 at 30 frames a second, as quarter frames and as a full frame."""
    midi = Midi(loads(MACHINE + '[midi]\ntime_code = "Sync box"\n', Path("studio.toml")), CommandInbox())
    with Player(server, "Sync box") as sync:
        midi.start()
        try:
            wait_until(lambda: midi.state == "ready", "its port is open")
            sync.send("F07F7F0101611E2314F7")
            wait_until(lambda: midi.tape_time == "01:30:35:20", "the full frame is read")
            sync.send("F104", "F8", "F111", "F123", "F132", "90", "F14E", "F151", "FE", "F161", "F176")
            # Seven quarters after piece 0, so in the second frame that it takes to tell one.
            wait_until(lambda: midi.tape_time in ("01:30:35:21", "01:30:35:22"), "the quarter frames are read")
        finally:
            midi.stop()
