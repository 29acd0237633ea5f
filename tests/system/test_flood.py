"""The OSC port of a running daemon against random, mutated and malformed packets: it lives, counts them, and meters on.

`tools/fuzz_osc --port` makes the packets and watches the frames; here it runs for some seconds, by hand for a million
packets. How late a frame may come is left to the fuzzer run by hand on an idle machine: see its `--stall-ms`.
"""

import random
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest

from tests.system.daemon import ROOT, Daemon, Ear, free_port, write_config

TRACKS = 4
PACKETS = 30_000
RATE_HZ = 6_000
SEED = random.SystemRandom().randrange(10**9)


@pytest.fixture
def port() -> int:
    return free_port()


@pytest.fixture
def ear() -> Iterator[Ear]:
    with Ear() as made:
        yield made


@pytest.fixture
def daemon(tmp_path: Path, port: int, ear: Ear) -> Iterator[Daemon]:
    """A daemon that meters the simulated recorder, whose samples are lost when nobody reads them for a second."""
    heard = f'destinations = ["127.0.0.1:{ear.port}"]\n'
    config = write_config(
        tmp_path / "flooded.toml", port=port, source='source = "simulated"', tracks=TRACKS, more=heard
    )
    with Daemon(config) as running:
        running.until(lambda: ear.value("/health/source") == "running", "the source runs")
        yield running


def metered_on(ear: Ear, frames: list[tuple[float, dict[str, tuple[object, ...]]]]) -> None:
    """Nothing was lost of what came in, and the frames are those of a thirtieth of a second of sound each."""
    assert len(frames) > 30
    tags = [tag for tag, _ in frames]
    assert all(later > earlier for earlier, later in pairwise(tags))
    assert (tags[-1] - tags[0]) / (len(tags) - 1) == pytest.approx(1 / 30, rel=0.03)
    assert ear.value("/health/source") == "running"
    assert ear.value("/health/overruns") == 0
    assert ear.value("/health/lost_frames") == 0
    assert ear.value("/health/source_losses") == 0


def still_obeys(daemon: Daemon, ear: Ear, port: int) -> None:
    """A command is done at once, from an address that has not been heard before."""
    with Ear() as other:
        request_id = other.ask(port, "/do/note", "after the flood")
        daemon.until(lambda: other.answers.get(request_id) == [("/done",)], "the note is taken")


def test_random_and_mutated_packets(daemon: Daemon, ear: Ear, port: int) -> None:
    before = len(ear.frames)
    done = subprocess.run(
        [
            *(sys.executable, str(ROOT / "tools" / "fuzz_osc"), "--port", str(port), "--seed", str(SEED)),
            *("--packets", str(PACKETS), "--rate", str(RATE_HZ), "--stall-ms", "30000"),
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, f"{done.stdout}{done.stderr}{daemon.output}"
    daemon.alive()
    metered_on(ear, ear.frames[before:])
    still_obeys(daemon, ear, port)
    assert "Traceback" not in daemon.output
    # An episode of refusals is one line, not thirty thousand.
    assert len(daemon.output.splitlines()) < 1000, daemon.output[:5000]


def malformed(rng: random.Random) -> bytes:
    """A packet that OSC 1.0 does not know: its size is no multiple of four, or it begins with neither / nor #."""
    packet = rng.randbytes(rng.randrange(4, 200))
    return packet[: len(packet) // 4 * 4 - 1] if rng.random() < 0.5 else b"\x01" + packet[1:]


def test_each_packet_is_refused_or_dropped_and_counted(daemon: Daemon, ear: Ear, port: int) -> None:
    """What was sent is what the daemon refused plus what the system dropped before it (Linux: SO_MEMINFO)."""
    rng = random.Random(SEED)
    packets = [malformed(rng) for _ in range(1000)]
    counts = ("/health/refused_packets", "/health/dropped_packets")
    assert [ear.value(count) for count in counts] == [0, 0]
    before = len(ear.frames)
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as sender:
        for _ in range(60):
            for packet in packets:
                sender.sendto(packet, ("127.0.0.1", port))
        daemon.until(lambda: sum(map(ear.value, counts)) == 60_000, f"all are counted (seed {SEED})")
        assert ear.value("/health/refused_packets") > 1000
        daemon.until(lambda: len(ear.frames) > before + 60, "two seconds of frames")
    metered_on(ear, ear.frames[before:])
    still_obeys(daemon, ear, port)
    assert daemon.output.count("refused a packet") == 1, "said once"
