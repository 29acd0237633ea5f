"""Child processes of our own: how one is started, whatever the working directory, and how one ends, whatever hangs."""

import atexit
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any, NoReturn

import bridge


def command(module: str, *arguments: str) -> list[str]:
    """Return the command line that runs a module of this package in a new interpreter.

    ``-P`` keeps the working directory off the import path: a file there called ``json.py`` must not be run.
    """
    return [_interpreter(), "-P", "-m", module, *arguments]


def environment() -> dict[str, str]:
    """Return the environment of a child: ours, with this very copy of the package first on the import path."""
    root = str(Path(bridge.__file__).resolve().parent.parent)
    paths = [root, *filter(None, [os.environ.get("PYTHONPATH")])]
    launched = {"__PYVENV_LAUNCHER__": sys.executable} if _interpreter() != sys.executable else {}
    return {**os.environ, **launched, "PYTHONPATH": os.pathsep.join(paths)}


def _interpreter() -> str:
    """Return the Python to start.

    In a virtual environment on Windows ``sys.executable`` is a launcher that starts another process, whose id we would
    not learn. So the real one is started, and told of its environment as the launcher would, which is also how
    `multiprocessing` does it.
    """
    if sys.platform == "win32":
        return str(getattr(sys, "_base_executable", sys.executable))
    return sys.executable


def inheriting(*files: int) -> dict[str, Any]:
    """Return the arguments of `subprocess.Popen` for a child that gets these descriptors, and no Ctrl-C of ours.

    On Windows descriptors are not inherited; what is shared there has other addresses.
    """
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NO_WINDOW | subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"pass_fds": files, "start_new_session": True}


def ask(module: str, limit_s: float) -> Any:
    """Run a module that asks a library and writes one answer as JSON; return that answer.

    Raises
    ------
    TimeoutError
        When it did not answer in time: what it asks for may hang.
    ChildProcessError
        When it ended without an answer. The message says with what status.
    """
    try:
        done = subprocess.run(
            command(module),
            env=environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=limit_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise TimeoutError(f"{module} did not answer within {limit_s:g} s") from None
    try:
        return json.loads(done.stdout)
    except ValueError:
        raise ChildProcessError(f"ended with status {done.returncode}") from None


def leave(status: int, limit_s: float) -> NoReturn:
    """End this process, which is a child: in order when that takes no longer than ``limit_s``, else at once.

    In order matters to others: a JACK server in synchronous mode stands still for seconds when a client just vanishes.
    But the audio libraries hang in their clean-up when their server is gone.
    """
    end_after(limit_s)
    atexit._run_exitfuncs()
    # What is left to do at the end of an interpreter, and of the C libraries, is of use to nobody and can hang as well.
    os._exit(status)


def end_after(limit_s: float) -> None:
    """Let this process end in ``limit_s`` at the latest."""

    def end() -> None:
        time.sleep(limit_s)
        os._exit(1)

    threading.Thread(target=end, daemon=True).start()
