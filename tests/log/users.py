"""A user who may not do everything, also where the tests run as root."""

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from bridge.log.schema import migrations

NOBODY = 65534


@contextmanager
def ordinary_user() -> Iterator[Callable[[], None]]:
    """Give a call after which permissions count, whom root's tests would ignore."""
    # What Python loads late must be loaded before: its own files may be root's alone.
    migrations()
    user = os.geteuid()

    def drop() -> None:
        if user == 0:
            os.seteuid(NOBODY)

    try:
        yield drop
    finally:
        os.seteuid(user)


@contextmanager
def public_directory() -> Iterator[Path]:
    """Make a directory that every user of this computer can reach and write."""
    directory = Path(tempfile.mkdtemp(prefix="trimbridge-test-"))
    directory.chmod(0o777)
    try:
        yield directory
    finally:
        directory.chmod(0o777)
        shutil.rmtree(directory)
