"""Live levels of a real JACK server's inputs, and init finding by them which input is which track."""

import io
import subprocess
from pathlib import Path

import numpy as np
import pytest

from bridge.cli.console import Nobody, Picture
from bridge.cli.init import init
from bridge.cli.level_meter import live_levels
from bridge.config.convert import to_banks
from bridge.config.load import load
from bridge.source.devices import InputDevice, find, list_interfaces
from tests.system.jack import JackServer, ToneClient, found_by_this_process, wait_until

LEVELS_DBFS = [-12.0 - 3.0 * channel for channel in range(8)]


def system_device() -> InputDevice:
    devices = list_interfaces().devices
    return devices[find(devices, "system", "JACK")]


def test_each_input_reads_its_level() -> None:
    """The level of a sine in dBFS is that of its peak (AES17-2015, 3.12.1), which is what the player is told."""
    with JackServer(channels=8, synchronous=False) as server, found_by_this_process(server):
        device = system_device()
        assert device.channels == 8
        with ToneClient(server, LEVELS_DBFS) as tones, live_levels(device, 48_000) as now:
            assert len(now()) == 8
            server.wire(tones.client, "trimbridge", 8)
            wait_until(lambda: bool(np.allclose(now(), LEVELS_DBFS, rtol=0, atol=0.3)), f"{LEVELS_DBFS} arrive")


def test_an_interface_that_is_gone_is_said() -> None:
    gone = InputDevice("nowhere", "JACK", 2, 48_000)
    with pytest.raises(OSError, match="nowhere"), live_levels(gone, 48_000):
        pytest.fail("it opened")


def test_an_interface_that_goes_away_is_said() -> None:
    with JackServer(channels=2, synchronous=False) as server, found_by_this_process(server):
        device = system_device()
        with live_levels(device, 48_000) as now:
            server.stop()

            def is_gone() -> bool:
                try:
                    now()
                except OSError as wrong:
                    return "\n" not in str(wrong)
                return False

            wait_until(is_gone, "the loss is said")


class Sender(Nobody):
    """Says no to the usual patching, then plugs one track after the other into the input that it is patched to."""

    def __init__(self, server: JackServer, tones: str, inputs: list[int]) -> None:
        super().__init__(io.StringIO())
        self.inputs = inputs
        self._server = server
        self._tones = tones

    def ask(self, question: str, default: str, *, at_cursor: str = "") -> str:
        return {"How many tracks has it": "4"}.get(question) or (
            "no"
            if question.startswith("Is track 1 on input 1")
            else super().ask(question, default, at_cursor=at_cursor)
        )

    def watch(self, picture: Picture, question: str) -> str:
        track = int(question.rsplit(" ", 1)[1])
        at = self.inputs[track - 1]
        picture()
        source = self._server.ports(self._tones)[track - 1]
        target = self._server.ports("trimbridge")[at - 1]
        subprocess.run(["jack_connect", source, target], env=self._server.environment, check=True, timeout=30)
        wait_until(
            lambda: any(f"{at:3} " in line and "<" in line.split(f"{at:3} ")[1] for line in picture()), "it moves"
        )
        return ""


def test_init_finds_the_patching_by_tones(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    inputs = [6, 2, 8, 1]
    with JackServer(channels=8, synchronous=False) as server, found_by_this_process(server):
        device = system_device()
        with ToneClient(server, [-18.0] * 4) as tones:
            assert init(file, Sender(server, tones.client, inputs), [device], live_levels) == 0
    (bank,) = to_banks(load(file))
    assert list(bank.inputs) == inputs
