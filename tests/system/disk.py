"""A disk that is too small, made by whoever may make one."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def small_disk(tmp_path: Path) -> Iterator[Path]:
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)], check=True, timeout=60)
    try:
        yield disk
    finally:
        subprocess.run(["umount", str(disk)], check=True, timeout=60)


def is_allowed_to_mount() -> bool:
    if sys.platform != "linux" or os.geteuid() != 0:
        return False
    status = Path("/proc/self/status").read_text(encoding="ascii")
    capabilities = int(status.split("CapEff:")[1].split()[0], 16)
    return bool(capabilities >> 21 & 1)  # CAP_SYS_ADMIN, capabilities(7)
