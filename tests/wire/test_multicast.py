"""Groups that are heard while network interfaces come and go, in a network namespace of its own."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.wire.multicast import Memberships
from bridge.wire.udp import UdpEndpoint, UdpError

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
DEADLINE_S = 180


def alone(*words: str) -> subprocess.CompletedProcess[str]:
    """Run a program where there is no network but the one that it makes."""
    unshare = ["unshare", "--net"] if os.geteuid() == 0 else ["unshare", "--map-root-user", "--net"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [*unshare, sys.executable, *words],
        check=False, capture_output=True, text=True, timeout=DEADLINE_S, env=environment,
    )  # fmt: skip


def test_by_an_interface_that_is_named() -> None:
    done = alone(str(HERE / "group_hearing.py"), "tbwire")
    assert done.stdout.splitlines() == ["joined", "heard both", "gone", "heard both", "problem ''"], done.stderr
    # Each group is said to be lost once, however often it was looked for, and once to be back.
    assert done.stderr.count("is tried again") == 2
    assert done.stderr.count("is heard") == 2


def test_by_the_interface_that_the_system_chooses_also_when_there_is_none_yet() -> None:
    done = alone(str(HERE / "group_hearing.py"), "")
    assert done.stdout.splitlines() == ["waits", "heard both", "gone", "heard both", "problem ''"], done.stderr


def test_a_group_of_the_other_family_stops_the_start() -> None:
    endpoint = UdpEndpoint("0.0.0.0", 0)
    try:
        with pytest.raises(UdpError, match="ff15::7711: not of the family of the listening address"):
            Memberships(endpoint, ["ff15::7711"], "")
    finally:
        endpoint.stop()
