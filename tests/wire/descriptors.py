"""A process that has no file descriptor left: the system then cannot even list its network interfaces."""

import contextlib
import os
import resource
from collections.abc import Iterator


@contextlib.contextmanager
def no_descriptors_left() -> Iterator[None]:
    """Let nothing be opened (getrlimit(2), RLIMIT_NOFILE: EMFILE beyond it)."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    lowest_free = os.open(os.devnull, os.O_RDONLY)
    os.close(lowest_free)
    resource.setrlimit(resource.RLIMIT_NOFILE, (lowest_free, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
