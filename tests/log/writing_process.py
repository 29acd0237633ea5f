"""Writes a log until it is killed: ``python writing_process.py LOG``.

Prints ``at CALIBRATION NEXT_NUMBER``, then ``id TRIM`` for every trim that was announced, each line at once. Reads
commands from standard input: ``limit BYTES`` sets how long a file may grow, ``limit none`` lifts that; from then on
``state STATE PROBLEM`` and ``no REASON`` are printed as well.
"""

import os
import resource
import select
import sys
import time
from pathlib import Path

from bridge.log.entries import Committed, PositionEntry, Refused, TrimEntry
from bridge.sinks.log import LogWriter
from tests.log.examples import TRIM, opening


def say(line: str) -> None:
    os.write(1, f"{line}\n".encode())


def obey(line: str) -> None:
    limit = line.split()[1]
    soft = resource.RLIM_INFINITY if limit == "none" else int(limit)
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, resource.getrlimit(resource.RLIMIT_FSIZE)[1]))


def main(path: Path) -> None:
    writer = LogWriter(path)
    resumption = writer.start(opening(time.time_ns()))
    assert resumption is not None
    say(f"at {resumption.calibration} {resumption.next_sequence}")
    burst = 0
    is_talkative = False
    while True:
        if select.select([sys.stdin], [], [], 0.0)[0] and (line := sys.stdin.readline()):
            obey(line)
            is_talkative = True
        burst = burst % 5 + 1
        for _ in range(burst):
            writer.submit(TrimEntry(TRIM, ((12.5, -0.834), (19.25, 0.013))))
        writer.submit(PositionEntry(burst % 3 + 1, 1, time.time_ns()))
        writer.flush(10.0)
        for result in writer.take_results():
            if isinstance(result, Committed) and result.id:
                say(f"id {result.id}")
            elif isinstance(result, Refused):
                say(f"no {result.reason}")
        if is_talkative:
            say(f"state {writer.state} {writer.problem}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
