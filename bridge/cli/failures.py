"""What goes wrong, as people are told: an exception in; one line on the terminal and an exit status out."""

import logging
import os
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from bridge.cli.outlet import write
from bridge.config.faults import ConfigFaults
from bridge.log.faults import LogError
from bridge.sinks.tablet.faults import PageError
from bridge.source.faults import SourceLostError
from bridge.wire.udp import UdpError

DONE: Final = 0
FAILED: Final = 1
WRONG_USE: Final = 2
INTERRUPTED: Final = 130

WHERE: Final = "TRIMBRIDGE_TRACEBACK"
"""Set in the environment, it shows where in the program a fault of its own lies."""


class FailedError(Exception):
    """What was asked for could not be done. The message says why, in one line."""


class WrongUseError(Exception):
    """What was asked for makes no sense. The message says what would, in one line."""


def say(text: str) -> None:
    """Write to standard error, if anybody reads it."""
    write(sys.stderr, f"{text}\n")


@contextmanager
def told() -> Iterator[None]:
    """Turn every exception into what a person can use, and leave with the status that fits."""
    try:
        try:
            yield
        finally:
            # Here it can still be told that the disk is full or the reader gone.
            sys.stdout.flush()
    except ConfigFaults as faults:
        say(f"{faults}\n{_counted(len(faults.faults))}")
        sys.exit(WRONG_USE)
    except WrongUseError as error:
        say(f"trimbridge: {error}")
        sys.exit(WRONG_USE)
    except (FailedError, LogError, PageError, SourceLostError, UdpError) as error:
        say(f"trimbridge: {error}")
        sys.exit(FAILED)
    except KeyboardInterrupt:
        say("stopped")
        sys.exit(FAILED)
    except SystemExit as leaving:
        # Ctrl-C as the library of the command line passes it on.
        if leaving.code != INTERRUPTED:
            raise
        say("stopped")
        sys.exit(FAILED)
    except BrokenPipeError:
        # Whoever read our output has gone; nothing more can be said to them.
        write(sys.stdout, "")
        sys.exit(FAILED)
    except OSError as error:
        write(sys.stdout, "")
        say(f"trimbridge: {_described(error)}")
        sys.exit(FAILED)
    except Exception as error:
        say(f"trimbridge: a fault in the program: {type(error).__name__}: {error}")
        if os.environ.get(WHERE):
            traceback.print_exc()
        else:
            say(f"set {WHERE}=1 to see where, and send that to the project")
        sys.exit(FAILED)


def _described(error: OSError) -> str:
    """Return what the system says, where, and what would be right."""
    if error.filename is None:
        return error.strerror or str(error)
    path = Path(os.fsdecode(error.filename))
    if isinstance(error, FileNotFoundError) and not path.parent.is_dir():
        return f"{path}: the folder {path.parent} is missing: make it, or name another file"
    advice = ": name a file" if isinstance(error, IsADirectoryError) else ""
    return f"{path}: {error.strerror or error}{advice}"


def _counted(faults: int) -> str:
    return f"trimbridge: {'one thing is' if faults == 1 else f'{faults} things are'} wrong in the config"


class _LineHandler(logging.Handler):
    """Log records as single lines; tracebacks only for who has asked for them."""

    def __init__(self, write_line: Callable[[str], None]) -> None:
        super().__init__()
        self._write_line = write_line

    def emit(self, record: logging.LogRecord) -> None:
        self._write_line(f"{record.levelname.lower()}: {record.getMessage()}")
        if record.exc_info and os.environ.get(WHERE):
            self._write_line("".join(traceback.format_exception(*record.exc_info)).rstrip())


def log_to_terminal(level: int = logging.INFO, write_line: Callable[[str], None] = say) -> None:
    """Write log messages to standard error, or where ``write_line`` writes them, a line each."""
    logging.basicConfig(level=level, handlers=[_LineHandler(write_line)], force=True)
