"""The command line as a user or another program calls it: words in; exit status and what was written out."""

import json
import os
import re
import subprocess
import sys
import tempfile
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
    _seemly(done)
    return done


def _seemly(done: subprocess.CompletedProcess[str]) -> None:
    for said in (done.stdout, done.stderr):
        assert said is None or "Traceback" not in said, said
        assert said is None or "a fault in the program" not in said, said


class Starter:
    """Starts commands from a process that has loaded the program already, see `tests.cli.starting`.

    Parameters
    ----------
    folder : Path
        Where commands run.
    before, environment
        As for `run`.
    """

    def __init__(self, folder: Path, before: Sequence[str], environment: Mapping[str, str]) -> None:
        self._folder = folder
        self._environment = dict(environment)
        self._said = tempfile.TemporaryDirectory(prefix="said-")
        self._process = subprocess.Popen(
            [*before, sys.executable, "-m", "tests.cli.starting"],
            cwd=ROOT,
            env=self._environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def run(self, *words: object) -> subprocess.CompletedProcess[str]:
        """Run the program to its end, as `run` does."""
        assert self._process.stdin is not None and self._process.stdout is not None
        out, error = (Path(self._said.name) / name for name in ("out", "error"))
        command = {
            "words": list(map(str, words)), "folder": str(self._folder), "environment": self._environment,
            "out": str(out), "error": str(error),
        }  # fmt: skip
        self._process.stdin.write(f"{json.dumps(command)}\n")
        self._process.stdin.flush()
        status = int(self._process.stdout.readline())
        done = subprocess.CompletedProcess(words, status, out.read_text(), error.read_text())
        _seemly(done)
        return done

    def close(self) -> None:
        """Start no more."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(60)
        self._process.stdout.close()
        self._said.cleanup()


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
