"""The examples for programs of your own do what they say, and the page about the addresses is that of the table."""

import contextlib
import os
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from typing import Any

import pytest

from bridge.config.load import load
from bridge.control.inbox import CommandInbox
from bridge.control.pairing import Pairing
from bridge.control.reception import OscReception
from bridge.procedure.commands import Command, Follow, Hold, LogNow, NextStep, PreviousStep
from bridge.sinks.osc import OscSink
from bridge.wire.subscribers import Subscribers
from bridge.wire.udp import UdpDestination, UdpEndpoint
from tests.sinks.test_osc_liblo import FRAME, TRIM, free_port
from tests.system.daemon import Daemon, write_config
from tests.wire.waiting import DEADLINE_S, wait_until

ROOT = Path(__file__).parents[2]
OSC = ROOT / "configs" / "osc"


class Station:
    """The daemon's side, which publishes for ever."""

    def __init__(self, port: int) -> None:
        self.endpoint = UdpEndpoint("127.0.0.1", 0)
        self.inbox = CommandInbox()
        subscribers = Subscribers()
        reception = OscReception(self.inbox, subscribers, Pairing("sesame"), self.endpoint.send)
        self.endpoint.start(reception.receive)
        self.sink = OscSink(self.endpoint, subscribers, [UdpDestination(("127.0.0.1", port))])
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._publish)
        self._thread.start()

    def _publish(self) -> None:
        while not self._over.wait(0.02):
            self.sink.publish(FRAME, 0.0)
            self.sink.announce(TRIM, "42", 0.0)

    def stop(self) -> None:
        self._over.set()
        self._thread.join()
        self.endpoint.stop()
        self.sink.close()


@pytest.fixture
def here() -> int:
    return free_port()


@pytest.fixture
def station(here: int) -> Iterator[Station]:
    made = Station(here)
    yield made
    made.stop()


@contextlib.contextmanager
def running(out: Path, *words: str, **environment: str) -> Iterator[None]:
    with out.open("wb") as written:
        program = subprocess.Popen(
            words, stdout=written, env={**os.environ, **environment}, start_new_session=True, cwd=out.parent
        )
    try:
        yield
    finally:
        # A shell has children; the session is theirs alone.
        os.killpg(program.pid, 15)
        program.wait(DEADLINE_S)


def test_the_subscriber_has_twenty_lines_and_prints_deviations(station: Station, tmp_path: Path) -> None:
    lines = [line for line in (OSC / "subscriber.py").read_text().splitlines() if line and line[0] not in '#"']
    assert len(lines) <= 20
    out = tmp_path / "out"
    port = str(station.endpoint.address[1])
    # -I: nothing but the standard library is there.
    with running(out, sys.executable, "-I", str(OSC / "subscriber.py"), "127.0.0.1", port, "sesame"):
        wait_until(lambda: out.read_text().count("\n") > 48)
    printed = out.read_text().splitlines()[:24]
    assert sorted(printed) == sorted(f"{track} +0.25 dB" for track in range(1, 25))


def test_oscdump_alone_watches(station: Station, here: int, tmp_path: Path) -> None:
    out = tmp_path / "out"
    with running(out, str(OSC / "with-liblo.sh"), "watch", TRIMBRIDGE_HERE=str(here)):
        wait_until(lambda: "/track/24/deviation f 0.250000" in (text := out.read_text()) and "/trim/logged" in text)
    assert "/vu" not in out.read_text()


@pytest.mark.parametrize(
    ("words", "command"),
    [
        ("next", NextStep()),
        ("back", PreviousStep()),
        ("log 3", LogNow(3)),
        ("hold", Hold(True)),
        ("go on", Hold(False)),
        ("stay", Follow(False)),
        ("follow", Follow(True)),
    ],
)
def test_oscsend_alone_steers(station: Station, words: str, command: Command) -> None:
    environment = {**os.environ, "TRIMBRIDGE_PORT": str(station.endpoint.address[1])}
    subprocess.run([OSC / "with-liblo.sh", *words.split()], check=True, env=environment, timeout=DEADLINE_S)
    got: list[Any] = []
    wait_until(lambda: bool(got.extend(station.inbox.take()) or got))
    assert [request.command for request in got] == [command]


def test_watching_and_logging_as_the_readme_says(here: int, tmp_path: Path) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    destinations = re.search(r"^    \[osc\]\n    (destinations = .*9000.*)$", readme, re.MULTILINE)
    dump = re.search(r"^    (oscdump .*)$", readme, re.MULTILINE)
    log = re.search(r"^    (oscsend .* 9710 /do/log .*)$", readme, re.MULTILINE)
    assert destinations
    assert dump
    assert log
    port, out = free_port(), tmp_path / "out"
    config = write_config(
        tmp_path / "room.toml",
        port=port,
        source='source = "simulated"\n',
        more=destinations[1].replace("9000", str(here)) + "\n",
    )
    with running(out, "sh", "-c", dump[1].replace("9000", str(here))), Daemon(config) as daemon:
        subprocess.run(["oscsend", "127.0.0.1", str(port), "/practice/tone", "f", "1000"], check=True)
        said = log[1].replace("9710", str(port)).split()

        def logged() -> bool:
            subprocess.run(said, check=True)
            return '/trim/logged isfffs 3 "repro level"' in out.read_text()

        daemon.until(logged, "the trim is seen")
    assert re.search(r"^[0-9a-f]+\.[0-9a-f]+ /track/3/deviation f -?[0-9]+\.[0-9]+$", out.read_text(), re.MULTILINE)
    assert "/vu" not in out.read_text()


def test_the_script_says_how_it_is_used() -> None:
    done = subprocess.run([OSC / "with-liblo.sh"], check=False, capture_output=True, text=True, timeout=DEADLINE_S)
    assert done.returncode == 2
    assert "with-liblo.sh watch" in done.stdout


def test_the_config_for_a_network_loads_and_says_that_it_is_invented() -> None:
    settings = load(OSC / "network.toml").osc
    assert (settings.listen, settings.tcp, settings.immediately, settings.multicast_ttl) == ("0.0.0.0", "slip", True, 1)
    assert len(settings.destinations) == 3
    assert "invented" in (OSC / "network.toml").read_text()


def test_the_page_about_the_addresses_is_that_of_the_table() -> None:
    loader = SourceFileLoader("osc_reference", str(ROOT / "tools" / "osc_reference"))
    spec = spec_from_loader("osc_reference", loader)
    assert spec is not None
    module = module_from_spec(spec)
    loader.exec_module(module)
    written = (OSC / "addresses.md").read_text(encoding="utf-8")
    assert written == module.page(), "run tools/osc_reference"
