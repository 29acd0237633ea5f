"""How a child process of our own is started: the same Python, the same package, whatever the working directory."""

import os
import sys
from pathlib import Path

import bridge


def command(module: str, *arguments: str) -> list[str]:
    """Return the command line that runs a module of this package in a new interpreter.

    ``-P`` keeps the working directory off the import path: a file there called ``json.py`` must not be run.
    """
    return [sys.executable, "-P", "-m", module, *arguments]


def environment() -> dict[str, str]:
    """Return the environment of a child: ours, with this very copy of the package first on the import path."""
    root = str(Path(bridge.__file__).resolve().parent.parent)
    paths = [root, *filter(None, [os.environ.get("PYTHONPATH")])]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
