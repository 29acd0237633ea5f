"""The command line as a user or another program calls it: words in; exit status and what was written out."""

import os
import re
import subprocess
import sys
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PROGRAM = (sys.executable, "-m", "bridge")

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
            "timeout": 120,
            **options,
        },
    )
    for said in (done.stdout, done.stderr):
        assert said is None or "Traceback" not in said, said
        assert said is None or "a fault in the program" not in said, said
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
