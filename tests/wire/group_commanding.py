"""Send one command without a request id to a multicast group, through a switch: a program of its own.

Waits for a line on standard input with the ends of the cables, makes them ports of a switch, and prints on which step
the daemon is before and after the command. Arguments: group, port, pairing code.
"""

import socket
import subprocess
import sys

from pythonosc.osc_bundle import OscBundle
from pythonosc.osc_message import OscMessage

from tests.system.daemon import message

SWITCH, OWN = "tbswitch", "198.51.100.9"  # RFC 5737
DEADLINE_S = 60.0


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, timeout=DEADLINE_S)


def make_switch(ends: list[str]) -> None:
    # Without looking into what is asked for, as a plain switch.
    ip("link", "add", SWITCH, "type", "bridge", "mcast_snooping", "0")
    for end in ends:
        ip("link", "set", end, "master", SWITCH)
        ip("link", "set", end, "up")
    ip("addr", "add", f"{OWN}/24", "dev", SWITCH)
    ip("link", "set", SWITCH, "up")


def main(group: str, port: int, code: str) -> None:
    make_switch(sys.stdin.readline().split())
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as made:
        made.bind((OWN, 0))
        made.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(OWN))

        def until(address: str, value: object = None) -> OscMessage:
            """Return the next message with this address; with this first value, if one is given."""
            made.settimeout(DEADLINE_S)
            while True:
                packet = made.recv(65_536)
                heard = list(OscBundle(packet)) if OscBundle.dgram_is_bundle(packet) else [OscMessage(packet)]
                for one in heard:
                    if one.address == address and value in (None, one.params[0]):
                        return one

        def done(*words: object) -> None:
            """Send a command and wait until it is done; a switch may need a while until it lets something through."""
            made.settimeout(0.5)
            while True:
                made.sendto(message(*words), (group, port))
                try:
                    packet = made.recv(65_536)
                except TimeoutError:
                    continue
                if not OscBundle.dgram_is_bundle(packet):
                    answer = OscMessage(packet)
                    assert answer.address == "/done", answer.params
                    if answer.params == [words[-1]]:
                        return

        done("/pair", code, "pairing")
        done("/do/hold", True, "holding")
        made.sendto(message("/subscribe", 60), (group, port))
        sys.stdout.write(f"{until('/step/number').params[0]}\n")
        made.sendto(message("/do/next"), (group, port))
        # By the same way, so that it comes after what was sent before; and a frame that was made after it was done.
        made.sendto(message("/do/hold", False, "last"), (group, port))
        until("/done", "last")
        until("/hold/on", False)
        sys.stdout.write(f"{until('/step/number').params[0]}\n")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3])
