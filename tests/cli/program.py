"""The command line as a user or another program calls it: words in; exit status and what was written out."""

import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from tests.system.starter import Starter

ROOT = Path(__file__).parents[2]
PROGRAM = (sys.executable, "-m", "bridge")

LIMIT_S = 120

NO_INTERFACE = {**os.environ, "JACK_DEFAULT_SERVER": "nobody", "JACK_NO_START_SERVER": "1"}
"""An environment in which no JACK server is found."""

ORDINARY = ("setpriv", "--bounding-set=-dac_override,-dac_read_search") if os.geteuid() == 0 else ()
"""What runs a command without root's right to read and write where nobody may."""


def run(
    *words: object, before: Sequence[str] = (), environment: Mapping[str, str] | None = None, **options: Any
) -> subprocess.CompletedProcess[str]:
    """Run the program to its end; whatever it says must not be a traceback."""
    done = subprocess.run(
        [*before, *PROGRAM, *map(str, words)],
        check=False,
        env=dict(environment or NO_INTERFACE),
        **{
            "cwd": ROOT,
            "stdin": subprocess.DEVNULL,
            "stdout": subprocess.PIPE,
            "stderr": subprocess.PIPE,
            "text": True,
            "timeout": LIMIT_S,
            **options,
        },
    )
    _seemly(done)
    return done


def _seemly(done: subprocess.CompletedProcess[str]) -> None:
    for said in (done.stdout, done.stderr):
        assert said is None or "Traceback" not in said, said
        assert said is None or "a fault in the program" not in said, said


def run_from(starter: Starter, *words: object, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run the program to its end, as `run` does, from a process that has loaded it."""
    with tempfile.TemporaryDirectory(prefix="said-") as said:
        out, error = (Path(said) / name for name in ("out", "error"))
        status = starter.start(list(map(str, words)), folder, out, error, LIMIT_S).wait()
        done = subprocess.CompletedProcess(words, status, out.read_text(), error.read_text())
    _seemly(done)
    return done


def trimbridge(*words: object, status: int = 0, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run the program, which must end with this status."""
    done = run(*words, **options)
    assert done.returncode == status, f"{done.returncode}: {done.stdout}{done.stderr}"
    return done


@cache
def commands() -> tuple[str, ...]:
    """Return the names of all commands, as ``--help`` has them."""
    said = trimbridge("--help").stdout
    return tuple(re.findall(r"^  ([a-z]+) ", said[said.index("Commands:") :], flags=re.MULTILINE))


@cache
def help_of(command: str) -> str:
    """Return the help text of a command."""
    return trimbridge(command, "--help").stdout
