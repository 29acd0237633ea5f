"""The examples in configs/midi, each run as it stands, with invented boxes on a real JACK server."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest

from tests.system.daemon import ROOT, Daemon, Ear, free_port
from tests.system.jack import JackServer, wait_until
from tests.system.midi import Dump, Player

CONFIGS = ROOT / "configs" / "midi"


@pytest.fixture(scope="module")
def server() -> Iterator[JackServer]:
    with JackServer(channels=2, synchronous=False) as one:
        yield one


@contextmanager
def running(example: str, server: JackServer, folder: Path) -> Iterator[tuple[Daemon, Ear]]:
    """Run an example with a free port, an ear, and a log of its own; the rest is as it stands."""
    with Ear() as ear:
        config = folder / f"{example}.toml"
        text = (CONFIGS / f"{example}.toml").read_text(encoding="utf-8")
        own = f'\n[osc]\nport = {free_port()}\ndestinations = ["127.0.0.1:{ear.port}"]\n[log]\nfile = "trims.db"\n'
        config.write_text(text + own, encoding="utf-8")
        with Daemon(config, server.environment) as daemon:
            daemon.until(lambda: ear.value("/health/source") == "running", "the recorder plays")
            yield daemon, ear
        assert "Traceback" not in daemon.output
        assert daemon.process.returncode == 0


def tried_until(daemon: Daemon, player: Player, lines: list[str], condition: Callable[[], bool], what: str) -> None:
    """Play until it has an effect, once a second, as a hand does that was not heard.

    A connection counts from some later cycle of the server on, which nobody tells; afterwards nothing is lost.
    """
    tried_s = 0.0

    def there() -> bool:
        nonlocal tried_s
        if time.monotonic() - tried_s > 1.0:
            tried_s = time.monotonic()
            player.send(*lines)
        return condition()

    daemon.until(there, what)


def test_every_example_is_run_here() -> None:
    assert {path.stem for path in CONFIGS.glob("*.toml")} == {"foot-switch", "pads", "encoders"}
    for path in CONFIGS.glob("*.toml"):
        assert "invented" in path.read_text(encoding="utf-8").split("[machine]")[0]


def test_the_foot_switch(server: JackServer, tmp_path: Path) -> None:
    with running("foot-switch", server, tmp_path) as (daemon, ear):
        daemon.until(lambda: ear.value("/health/midi") == "waiting", "it waits for the foot board")
        daemon.until(lambda: ear.value("/health/message") == 'no MIDI port "Foot board"', "it says which is missing")
        with Player(server, "Foot board") as foot:
            daemon.until(lambda: ear.value("/health/midi") == "ready", "it hears the foot board")
            assert ear.value("/step/number") == 1
            tried_until(daemon, foot, ["B0427F"], lambda: ear.value("/hold/on") is True, "the latch holds")
            rested = len(ear.frames) + 6
            daemon.until(lambda: len(ear.frames) > rested, "the contact has come to rest: 0.2 s")
            foot.send("B04200")
            daemon.until(lambda: ear.value("/hold/on") is False, "the latch lets go")
            for follows in (False, True):
                foot.send("B0437F", "B04300")
                daemon.until(lambda on=follows: ear.value("/follow/on") is on, "the third switch says if it follows")
                rested = len(ear.frames) + 6
                daemon.until(lambda rested=rested: len(ear.frames) > rested, "the contact has come to rest: 0.2 s")
            foot.send("B0407F", "B04000")
            daemon.until(lambda: ear.value("/step/number") == 2, "the left switch goes on")
            foot.send("C000")
            daemon.until(lambda: ear.value("/step/number") == 1, "program 0 is step 1")
            foot.send("B0417F")
            daemon.until(lambda: "no track is in focus: nothing to log" in daemon.output, "it says why not")
        daemon.until(lambda: ear.value("/health/midi") == "waiting", "the loss is seen")
        assert ear.value("/health/midi_losses") == 1
        with Player(server, "Foot board") as foot:
            daemon.until(lambda: ear.value("/health/midi") == "ready", "it hears the foot board again")
            tried_until(daemon, foot, ["C001"], lambda: ear.value("/step/number") == 2, "program 1 is step 2")


def test_the_pads(server: JackServer, tmp_path: Path) -> None:
    with Player(server, "Pad box") as pads, running("pads", server, tmp_path) as (daemon, ear):
        daemon.until(lambda: ear.value("/health/midi") == "ready", "it hears and lights the pads")
        # Eight notes on channel 10: each pad is told how its track does.
        daemon.until(lambda: {line[:4] for line in pads.heard} >= {f"99{36 + n:02x}" for n in range(8)}, "all are lit")
        third = ["992640", "992600"]
        tried_until(daemon, pads, third, lambda: ear.value("/focus/track") == 3, "the third pad is track 3")
        daemon.until(lambda: "992650" in pads.heard, "its light says that it is in focus")  # 80 = 50 hex
        pads.send("992C40", "992C00")
        daemon.until(lambda: ear.value("/focus/track") != 3, "the ninth lets the focus go")
        pads.send("992D40", "992D00")
        daemon.until(lambda: "no trim was logged yet" in daemon.output, "nothing to take back yet")
        for note in range(36, 44):
            told = [line for line in pads.heard if line[2:4] == f"{note:02x}"]
            assert all(one != other for one, other in pairwise(told)), "sent twice"


def test_the_encoders(server: JackServer, tmp_path: Path) -> None:
    with (
        Player(server, "Ring box") as rings,
        Player(server, "Sync box") as sync,
        running("encoders", server, tmp_path) as (daemon, ear),
    ):
        daemon.until(lambda: ear.value("/health/midi") == "ready", "all boxes are there")
        daemon.until(lambda: {line[:4] for line in rings.heard} >= {f"b0{16 + n:02x}" for n in range(8)}, "rings turn")
        count = ear.value("/step/count")
        top = ["B0077F", "B0277F"]
        last = "the fader at its top is the last step"
        tried_until(daemon, rings, top, lambda: ear.value("/step/number") == count, last)
        rings.send("B03C01", "B03C01", "B03C7F", "B03C02")
        daemon.until(lambda: ear.value("/focus/track") == 3, "the focus walks 1, 2, 1, 3")
        rings.send("B00700", "B02700")
        daemon.until(lambda: ear.value("/step/number") == 1, "at its bottom it is the first")
        full_frame = "F07F7F0101611E2314F7"  # the worked example of RP-004/008
        told = "the position of the tape is told"
        tried_until(daemon, sync, [full_frame], lambda: ear.value("/tape/time") == "01:30:35:20", told)
        assert sync.heard == []
        rings.send("905B7F", "905D7F", "905E7F")
        daemon.until(lambda: len(sync.heard) >= 3, "the recorder is told")
        # Locate to 00:00:10:00 at 30 frames a second, stop, play; all to device 1 (MMC 1.0).
        assert sync.heard == ["f07f010644060160000a0000f7", "f07f010601f7", "f07f010602f7"]


def test_a_pad_of_an_independent_receiver(server: JackServer, tmp_path: Path) -> None:
    with Dump(server, "Pad box") as dump, running("pads", server, tmp_path) as (daemon, ear):
        daemon.until(lambda: {line[:4] for line in dump.heard} >= {f"99{36 + n:02x}" for n in range(8)}, "all are lit")
        # The input of the same box is missing, which the daemon says.
        assert ear.value("/health/midi") == "waiting"
        wait_until(lambda: all(line.startswith("99") for line in dump.heard), "nothing but notes was sent")
