#!/usr/bin/env python3
"""Print how far every track is off: subscriber.py [HOST [PORT [PAIRING CODE]]]. Needs nothing but Python."""

import socket
import struct
import sys

host, port, code = (*sys.argv[1:], *("127.0.0.1", "9710", "")[len(sys.argv) - 1 :])
daemon = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
daemon.connect((host, int(port)))
daemon.settimeout(5)
padded = code.encode() + bytes(4 - len(code.encode()) % 4)
while True:
    if code:
        daemon.send(b"/pair\0\0\0,s\0\0" + padded)
    daemon.send(b"/subscribe\0\0,i\0\0" + struct.pack(">i", 3600))
    for _ in range(300):
        frame, at = daemon.recv(65536), 16
        while frame.startswith(b"#bundle") and at < len(frame):
            size = struct.unpack_from(">i", frame, at)[0]
            address, _, rest = frame[at + 4 : at + 4 + size].partition(b"\0")
            if address.endswith(b"/deviation"):
                print(address.decode().split("/")[2], f"{struct.unpack('>f', rest[-4:])[0]:+.2f} dB", flush=True)
            at += 4 + size
