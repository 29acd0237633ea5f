"""Ask the network for services by multicast DNS, and print what is answered, as JSON: a program of its own.

Written from RFC 1035 (messages), RFC 6762 (6.7: who asks from another port than 5353 is answered there) and RFC 6763
(4: PTR names the instances, SRV and TXT describe each). Arguments: own address, seconds to wait, types.
"""

import json
import socket
import struct
import sys
import time

PTR, TXT, SRV, A = 12, 16, 33, 1


def written(name: str) -> bytes:
    return b"".join(bytes([len(part)]) + part for part in name.encode().split(b".")) + b"\0"


def name_at(data: bytes, at: int) -> tuple[str, int]:
    parts = []
    after = 0
    while data[at]:
        if data[at] >= 0xC0:
            after = after or at + 2
            at = struct.unpack_from(">H", data, at)[0] & 0x3FFF
        else:
            parts.append(data[at + 1 : at + 1 + data[at]].decode())
            at += 1 + data[at]
    return ".".join(parts), after or at + 1


def records(data: bytes):
    questions, *counts = struct.unpack_from(">4H", data, 4)
    at = 12
    for _ in range(questions):
        at = name_at(data, at)[1] + 4
    for _ in range(sum(counts)):
        name, at = name_at(data, at)
        kind, _, _, size = struct.unpack_from(">HHIH", data, at)
        at += 10
        if kind == PTR:
            yield name, "PTR", name_at(data, at)[0]
        elif kind == SRV:
            yield name, "SRV", [struct.unpack_from(">H", data, at + 4)[0], name_at(data, at + 6)[0]]
        elif kind == TXT:
            texts, inner = [], at
            while inner < at + size:
                texts.append(data[inner + 1 : inner + 1 + data[inner]].decode())
                inner += 1 + data[inner]
            yield name, "TXT", [text for text in texts if text]
        elif kind == A:
            yield name, "A", socket.inet_ntoa(data[at : at + 4])
        at += size


def main() -> None:
    own, wait_s, *types = sys.argv[1:]
    found: dict[str, dict[str, object]] = {}
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as made:
        made.bind((own, 0))
        made.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(own))
        end_s = time.monotonic() + float(wait_s)
        while time.monotonic() < end_s and not all(f"{kind}.local" in found for kind in types):
            for kind in types:
                question = struct.pack(">6H", 7, 0, 1, 0, 0, 0) + written(f"{kind}.local") + struct.pack(">HH", PTR, 1)
                made.sendto(question, ("224.0.0.251", 5353))
            made.settimeout(0.5)
            try:
                while True:
                    for name, kind, value in records(made.recv(9000)):
                        found.setdefault(name, {})[kind] = value
            except TimeoutError:
                pass
    sys.stdout.write(json.dumps(found))


main()
