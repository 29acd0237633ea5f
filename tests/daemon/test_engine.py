"""The engine with a source that keeps losing samples, and with one that gives nothing at all."""

import time
from collections import Counter
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from bridge.config.load import load, loads
from bridge.control.inbox import CommandInbox
from bridge.daemon.engine import Engine
from bridge.daemon.health import ALL_ZERO
from bridge.daemon.losses import OVERRUN_EVENT_S
from bridge.daemon.midi import Midi
from bridge.daemon.notices import TOLD_S
from bridge.daemon.page import Page
from bridge.daemon.service import Service
from bridge.daemon.setup import setup_of
from bridge.log.calibrations import Opening
from bridge.log.queries import lines
from bridge.log.store import open_reader
from bridge.sinks.log import LogWriter
from bridge.source.block import Block, Losses
from tests.system.daemon import JACK, free_port, write_config
from tests.system.jack import JackServer, ToneClient
from tests.wire.waiting import wait_until as wait_for

CONFIG = """
[machine]
name = "Slipway two-track (invented)"
tracks = 2
"""


class Stumbling:
    """A source of silence that loses a block before each that it delivers."""

    sample_rate_hz = 48_000
    inputs = (1, 2)
    description = "a computer that cannot keep up"
    losses = Losses()

    def start(self) -> None:
        """Nothing to open."""

    def stop(self) -> None:
        """Nothing to release."""

    def read(self, timeout_s: float) -> Block:
        self.losses += Losses(overruns=1, frames=512)
        samples = np.zeros((512, 2), dtype=np.float32)
        return Block(samples, self.losses.overruns * 1024 - 512, self.losses.overruns * 21_000_000)


class Wound(Stumbling):
    """A source of silence on a computer whose clock is set before each block."""

    blocks = 0

    def read(self, timeout_s: float) -> Block:
        self.blocks += 1
        self.losses += Losses(clock_steps=1)
        return Block(np.zeros((512, 2), dtype=np.float32), self.blocks * 512 - 512, self.blocks * 10_666_667)


def test_a_clock_that_is_set_is_counted_over_all_sources_and_told_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    setup = setup_of(loads(CONFIG, tmp_path / "c.toml"))
    log = LogWriter(tmp_path / "log.db")
    log.start(Opening(setup.machine, CONFIG, setup.steps, time.time_ns()))
    engine = Engine(setup, 30.0, [], CommandInbox(), log=log)
    for position_s in (0.0, 10.0):
        source = Wound()
        engine.source_began(source, position_s)
        for _ in range(3):
            engine.block(source.read(1.0))
        engine.source_lost("unplugged")
    assert engine.health().clock_steps == 6
    assert engine.health().overruns == 0
    engine.take(log.close())
    assert caplog.text.count("the computer's clock was set") == 1
    with closing(open_reader(tmp_path / "log.db")) as connection:
        assert Counter(line.kind for line in lines(connection))["clock"] == 1


def test_samples_that_are_lost_again_and_again_do_not_fill_the_log(tmp_path: Path) -> None:
    setup = setup_of(loads(CONFIG, tmp_path / "c.toml"))
    log = LogWriter(tmp_path / "log.db")
    log.start(Opening(setup.machine, CONFIG, setup.steps, time.time_ns()))
    engine = Engine(setup, 30.0, [], CommandInbox(), log=log)
    source = Stumbling()
    engine.source_began(source, 0.0)
    began_s = time.monotonic()
    for _ in range(500):
        engine.block(source.read(1.0))
        engine.attend()
    took_s = time.monotonic() - began_s
    assert engine.health().overruns == 500
    assert engine.health().lost_frames == 500 * 512
    engine.take(log.close())
    with closing(open_reader(tmp_path / "log.db")) as connection:
        kinds = Counter(line.kind for line in lines(connection))
    assert 1 <= kinds["overrun"] <= 1 + took_s / OVERRUN_EVENT_S


def test_events_that_are_refused_are_told_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    setup = setup_of(loads(CONFIG, tmp_path / "c.toml"))
    log = LogWriter(tmp_path / "log.db")
    log.start(Opening(setup.machine, CONFIG, setup.steps, time.time_ns()))
    engine = Engine(setup, 30.0, [], CommandInbox(), log=log)
    engine.take(log.close())
    for number in range(50):
        engine.source_began(Stumbling(), float(number))
        engine.source_lost("its lead was pulled")
    engine.attend()
    assert not [record for record in caplog.records if "not logged" in record.getMessage()]


def standing(service: Service) -> str:
    """What is said when what is news now has been said for long enough, however busy the computer is."""
    return service._engine._health.now(time.monotonic() + TOLD_S).message


def test_an_interface_that_gives_nothing_at_all_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # An unconnected JACK input is exactly zero; so is every input on a system that denies the microphone.
    with JackServer(channels=2) as server, ToneClient(server, [-18.0, -18.0]) as tones:
        for name, value in server.environment.items():
            monkeypatch.setenv(name, value)
        path = write_config(
            tmp_path / "c.toml", port=free_port(), source=JACK, tracks=2, more="[preparation]\nask = false\n"
        )
        service = Service(load(path), path.read_text(encoding="utf-8"))
        service.start()
        try:
            wait_for(lambda: standing(service) == ALL_ZERO)
            server.wire(tones.client, "trimbridge", 2)
            wait_for(lambda: standing(service) == "")
        finally:
            service.stop()


def test_a_receiver_that_is_switched_off_hides_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    config = CONFIG + (
        f'[osc]\nport = {free_port()}\ndestinations = ["tablet.invalid:9000"]\n[log]\nenabled = false\n'
        f"[page]\nenabled = true\nport = {free_port()}\n"
    )
    service = Service(loads(config, tmp_path / "c.toml"), config, make_source=Stumbling)
    service.start()
    try:
        wait_for(lambda: standing(service).startswith("host 'tablet.invalid' is not known"))
        monkeypatch.setattr(Midi, "problem", "no MIDI port")
        assert standing(service) == "no MIDI port"
        monkeypatch.setattr(Page, "problem", "a forgotten screen may command again")
        assert standing(service) == "a forgotten screen may command again"
    finally:
        service.stop()
