"""A process that has loaded the program and waits: from it each command starts as a process of its own, by fork.

Reads a line of JSON for each command: its words, the folder and the environment to start in, the files that standard
output and error are added to, and how long it may take. Writes the number of its process, and when it has ended its
exit status, a line each. What a command does not get from here is the time that it takes to load everything.
"""

import importlib
import json
import os
import signal
import sys
from typing import Any

LOADED = (
    "bridge.cli.app", "bridge.cli.checks", "bridge.cli.demo", "bridge.cli.inputs", "bridge.cli.learn",
    "bridge.cli.logs", "bridge.cli.offsets", "bridge.cli.replaying", "bridge.cli.report", "bridge.cli.running",
    "bridge.cli.tape", "bridge.cli.targets", "bridge.daemon.service",
)  # fmt: skip


def next_command() -> dict[str, Any] | None:
    """Return the next command in a new process; None in this one when there are no more."""
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            return dict(json.loads(line))
        _tell(child)
        _tell(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
    return None


def _tell(number: int) -> None:
    os.write(sys.stdout.fileno(), f"{number}\n".encode())


def become(command: dict[str, Any]) -> None:
    """Be what a shell would have started."""
    signal.alarm(command["limit_s"])
    os.chdir(command["folder"])
    os.environ.clear()
    os.environ.update(command["environment"])
    for descriptor, file in enumerate((os.devnull, command["out"], command["error"])):
        opened = os.open(file, os.O_RDONLY if descriptor == 0 else os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.dup2(opened, descriptor)
        os.close(opened)
    sys.argv = ["trimbridge", *command["words"]]


if __name__ == "__main__":
    for name in LOADED:
        importlib.import_module(name)
    wanted = next_command()
    if wanted is not None:
        become(wanted)
        from bridge.cli import main

        main()
