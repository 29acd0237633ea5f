"""Groups that are heard while network interfaces come and go, in a network namespace of its own."""

import logging
import os
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.wire.multicast import Memberships
from bridge.wire.udp import UdpEndpoint, UdpError
from tests.wire.descriptors import no_descriptors_left

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
    done = alone(str(HERE / "group_hearing.py"), "tbwire", "unplugged")
    assert done.stdout.splitlines() == ["joined", "heard both", "gone", "heard both", "problem ''"], done.stderr
    # Each group is said to be lost once, however often it was looked for, and once to be back.
    assert done.stderr.count("is tried again") == 2
    assert done.stderr.count("is heard") == 2


def test_by_an_interface_that_is_named_where_the_system_takes_no_index() -> None:
    done = alone(str(HERE / "group_hearing.py"), "tbwire", "unplugged", "eight")
    assert done.stdout.splitlines() == ["joined", "heard both", "gone", "heard both", "problem ''"], done.stderr


@pytest.mark.parametrize("going", ["unplugged", "off"])
def test_by_the_interface_that_the_system_chooses_also_when_there_is_none_yet(going: str) -> None:
    done = alone(str(HERE / "group_hearing.py"), "", going)
    assert done.stdout.splitlines() == ["waits", "heard both", "gone", "heard both", "problem ''"], done.stderr


def test_one_command_to_a_group_is_done_once_when_a_second_cable_has_taken_the_route(tmp_path: Path) -> None:
    done = alone(str(HERE / "two_networks.py"), str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["1", "2"], done.stderr


def test_where_the_interfaces_cannot_be_listed_each_group_is_said_to_be_in_doubt_once(
    caplog: pytest.LogCaptureFixture,
) -> None:
    groups = ["239.255.77.4", "239.255.77.5"]  # RFC 2365, 6.1
    endpoint = UdpEndpoint("0.0.0.0", 0)
    memberships = Memberships(endpoint, groups, "127.0.0.1")
    try:
        assert memberships.problem == ""
        with caplog.at_level(logging.INFO), no_descriptors_left():
            memberships.renew()
            memberships.renew()
            assert memberships.problem == (
                "whether the multicast group 239.255.77.4 is heard cannot be told: "
                "the network interfaces cannot be listed: Too many open files"
            )
            warned = [record.getMessage() for record in caplog.records if record.levelno == logging.WARNING]
            assert len(warned) == len(groups)
            assert all(f"{group} is heard cannot be told" in line for group, line in zip(groups, warned, strict=True))
        with caplog.at_level(logging.INFO):
            memberships.renew()
        assert memberships.problem == ""
        assert caplog.text.count("is heard\n") == len(groups)
    finally:
        endpoint.stop()


def test_a_group_of_the_other_family_stops_the_start() -> None:
    endpoint = UdpEndpoint("0.0.0.0", 0)
    try:
        with pytest.raises(UdpError, match="ff15::7711: not of the family of the listening address"):
            Memberships(endpoint, ["ff15::7711"], "")
    finally:
        endpoint.stop()
