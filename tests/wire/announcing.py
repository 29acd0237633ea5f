"""Announce until standard input ends: a program of its own, for a host of its own. Arguments: address, name."""

import sys

from bridge.wire.discovery import Announcer, Service

address, name = sys.argv[1:]
announcer = Announcer(
    name,
    lambda: [
        Service("_osc._udp", 9710, [address], {"txtvers": "1", "version": "1.0"}),
        Service("_oscjson._tcp", 9711, [address]),
        Service("_http._tcp", 9711, [address], {"path": "/"}),
        Service("_osc._tcp", 9712, []),
    ],
)
announcer.start()
sys.stdin.read()
announcer.stop()
