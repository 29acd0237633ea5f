"""Send one command to a multicast group after the default route has moved to a second cable: a program of its own.

The daemon runs in the network namespace of this program, with two cables to one switch; the sender and the switch are
in another. Arguments: a folder for the config and the log. The steps that the sender saw are written on standard
output: before the command and after it.
"""

import os
import subprocess
import sys
from pathlib import Path

from tests.system.daemon import Daemon, write_config
from tests.system.jack import wait_until

HERE = Path(__file__).parent
GROUP = "239.255.77.3"  # RFC 2365, 6.1
PORT = 9710
CODE = "271828"
CABLES = (("tbone", "tbend1", "198.51.100.1"), ("tbtwo", "tbend2", "198.51.100.2"))  # RFC 5737
DEADLINE_S = 60.0


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, timeout=DEADLINE_S)


def joined(cable: str) -> bool:
    """Whether the system is a member of the group there: /proc/net/igmp, proc(5), has it with its bytes reversed."""
    wanted = bytes(map(int, reversed(GROUP.split(".")))).hex().upper()
    device = ""
    for line in Path("/proc/net/igmp").read_text().splitlines()[1:]:
        words = line.split()
        if not line.startswith("\t"):
            device = words[1]
        elif words[0] == wanted and device == cable:
            return True
    return False


def plug_in(cable: str, end: str, address: str, switch: int) -> None:
    ip("link", "add", cable, "type", "veth", "peer", "name", end)
    ip("link", "set", end, "netns", str(switch))
    ip("addr", "add", f"{address}/24", "dev", cable)
    # Both cables lead to the same network, so what comes by one of them is answered by the other.
    Path(f"/proc/sys/net/ipv4/conf/{cable}/rp_filter").write_text("0")
    ip("link", "set", cable, "up")
    ip("route", "replace", "default", "dev", cable)


def main(folder: Path) -> None:
    ip("link", "set", "lo", "up")
    Path("/proc/sys/net/ipv4/conf/all/rp_filter").write_text("0")
    more = f'listen = "0.0.0.0"\ngroups = ["{GROUP}"]\npairing_code = "{CODE}"\nannounce = false\n'
    config = write_config(folder / "room.toml", port=PORT, source='source = "simulated"\n', tracks=2, more=more)
    step = '[[step]]\nadjustment = "repro high"\ntone_hz = {}\ntarget_vu = 0.0\ntolerance_db = 0.5\n'
    config.write_text(config.read_text() + "".join(step.format(hz) for hz in (10_000, 12_000, 15_000)))
    words = ["unshare", "--net", sys.executable, str(HERE / "group_commanding.py"), GROUP, str(PORT), CODE]
    with subprocess.Popen(words, stdin=subprocess.PIPE, text=True, env=os.environ) as sender:
        assert sender.stdin is not None
        try:
            # Until it has a network of its own, a cable would stay here.
            ours, its = Path("/proc/self/ns/net"), Path(f"/proc/{sender.pid}/ns/net")
            wait_until(lambda: its.readlink() != ours.readlink(), "the sender has a network", DEADLINE_S)
            plug_in(*CABLES[0], sender.pid)
            with Daemon(config) as daemon:
                daemon.until(lambda: joined(CABLES[0][0]), "the group is joined by the first cable")
                plug_in(*CABLES[1], sender.pid)
                daemon.until(lambda: joined(CABLES[1][0]), "the group is joined by the second cable")
                sender.stdin.write(" ".join(end for _, end, _ in CABLES) + "\n")
                sender.stdin.close()
                assert sender.wait(DEADLINE_S) == 0, daemon.output
        finally:
            sender.kill()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
