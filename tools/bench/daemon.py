"""The real daemon on a real JACK server, for benchmarks: a process, its processor time and memory, and its packets."""

import os
import signal
import socket
import struct
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.system.daemon import free_port
from tests.system.jack import JackServer, ToneClient, wait_until

TICKS_PER_S = os.sysconf("SC_CLK_TCK")
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")


def tree(root: int) -> list[int]:
    """Return a process and all below it."""
    children: dict[int, list[int]] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        children.setdefault(int(fields[1]), []).append(int(stat.parent.name))
    found = [root]
    for process in found:
        found += children.get(process, [])
    return found


def processor_s(root: int) -> float:
    """Return the processor time that a process and all below it have used, seconds."""
    total = 0
    for process in tree(root):
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        total += int(fields[11]) + int(fields[12])
    return total / TICKS_PER_S


def memory_mb(root: int) -> float:
    """Return the resident memory of a process and all below it, MB (memory that they share counts for each)."""
    pages = (int(Path(f"/proc/{process}/statm").read_text().split()[1]) for process in tree(root))
    return sum(pages) * PAGE_BYTES / 1e6


@dataclass
class RunningDaemon:
    """A daemon with its OSC port, and two subscribers' sockets."""

    pid: int
    port: int
    subscribers: list[socket.socket]

    def subscribe(self) -> None:
        """Ask for frames for ten minutes."""
        for one in self.subscribers:
            one.sendto(b"/subscribe\0\0,i\0\0" + struct.pack(">i", 600), ("127.0.0.1", self.port))


@contextmanager
def running(tracks: int, sample_rate_hz: int, block_frames: int = 512) -> Iterator[RunningDaemon]:
    """Run the daemon on a JACK server with a tone on every input, with two subscribers at 30 frames a second."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        server = stack.enter_context(JackServer(sample_rate_hz, block_frames, tracks))
        tones = stack.enter_context(ToneClient(server, [-18.0 - 0.1 * track for track in range(tracks)]))
        port = free_port()
        config = folder / "bench.toml"
        config.write_text(
            f'[machine]\nname = "bench"\ntracks = {tracks}\n'
            f'[audio]\ndevice = "{tones.client}"\nhost_api = "JACK"\nsample_rate_hz = {sample_rate_hz}\n'
            f"block_frames = {block_frames}\n"
            '[[step]]\nadjustment = "repro level"\ntone_hz = 1000\ntarget_vu = 0\n'
            f'[page]\nport = 0\n[osc]\nport = {port}\n[log]\nfile = "{folder}/bench.db"\n'
        )
        daemon = subprocess.Popen(
            [sys.executable, "-m", "bridge", "run", str(config)],
            env=server.environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        sockets = []
        for _ in range(2):
            one = stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
            one.bind(("127.0.0.1", 0))
            one.settimeout(10.0)
            sockets.append(one)
        try:
            found = RunningDaemon(daemon.pid, port, sockets)
            wait_until(
                lambda: any(name.startswith("trimbridge") for name in server.ports(check=False)), "daemon's ports"
            )
            found.subscribe()
            sockets[0].recv(65536)
            yield found
        finally:
            daemon.send_signal(signal.SIGTERM)
            daemon.wait(10)
