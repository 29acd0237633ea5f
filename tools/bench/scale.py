"""What the whole daemon takes: share of one core and memory, by tracks and sample rate, with two OSC subscribers.

The audio comes from a real JACK server; the processes of server and tone generator are not counted, those of the daemon
(itself and its capture process) are.
"""

import time

from tools.bench.daemon import memory_mb, processor_s, running
from tools.bench.timing import report

WARM_UP_S = 4.0
MEASURED_S = 12.0
GOALS_PERCENT = {(24, 96_000): 6.0, (64, 192_000): 30.0}


def share_percent(tracks: int, sample_rate_hz: int) -> tuple[float, float, float]:
    """Return the share of one core in percent, and the memory before and after, MB."""
    with running(tracks, sample_rate_hz) as daemon:
        _drain(daemon.subscribers, WARM_UP_S)
        before_mb = memory_mb(daemon.pid)
        begin, used_s = time.monotonic(), processor_s(daemon.pid)
        _drain(daemon.subscribers, MEASURED_S)
        share = (processor_s(daemon.pid) - used_s) / (time.monotonic() - begin)
        return 100.0 * share, before_mb, memory_mb(daemon.pid)


def _drain(sockets: list, seconds: float) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        for one in sockets:
            one.recv(65536)


def main() -> None:
    for tracks in (8, 24, 64):
        for sample_rate_hz in (48_000, 96_000, 192_000):
            share, before_mb, after_mb = share_percent(tracks, sample_rate_hz)
            goal = GOALS_PERCENT.get((tracks, sample_rate_hz))
            what = f"{tracks} tracks, {sample_rate_hz} Hz: % of one core (memory {before_mb:.0f} → {after_mb:.0f} MB)"
            if goal is None:
                print(f"{what:66s} {share:10.2f}")
            else:
                report(what, share, f"< {goal:g}", share < goal)
