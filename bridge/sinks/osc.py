"""Frames and trims to everybody who wants them over OSC: frames in, datagrams out.

A frame is one bundle and one datagram, however many tracks it has: 24 tracks make 4 kB, 64 make 10 kB, and UDP allows
64 kB. Beyond 1472 bytes a network carries it in pieces, and a lost piece loses the frame, which the next one makes
good; in return a receiver never has to put a frame together.
"""

import logging
import threading
from collections.abc import Sequence

from bridge.readings import Frame, Trim
from bridge.wire.addresses import TRIM_LOGGED
from bridge.wire.destinations import Destination
from bridge.wire.episodes import Episode
from bridge.wire.frames import FrameEncoder
from bridge.wire.osc import OscError
from bridge.wire.subscribers import Subscribers
from bridge.wire.udp import Sender, StreamPeer, UdpEndpoint

log = logging.getLogger(__name__)


class OscSink:
    """Sends to all subscribers and to the fixed destinations. From any thread; never waits.

    Parameters
    ----------
    endpoint : UdpEndpoint
        What subscribers are sent from: the port that they wrote to. Those that are connected get it there.
    subscribers : Subscribers
        Who has asked for frames.
    destinations : sequence of Destination
        Who is sent everything, asked or not. Closed by `close`.
    immediately : bool
        Whether frames say "immediately" in place of the moment of their capture.
    """

    def __init__(
        self,
        endpoint: UdpEndpoint,
        subscribers: Subscribers,
        destinations: Sequence[Destination] = (),
        *,
        immediately: bool = False,
    ) -> None:
        self._endpoint = endpoint
        self._subscribers = subscribers
        self._destinations = tuple(destinations)
        self._encoder = FrameEncoder(immediately=immediately)
        self._unsendable = Episode()
        self._lock = threading.Lock()

    @property
    def lost_packets(self) -> int:
        """Packets for the fixed destinations that could not be sent."""
        return sum(destination.lost_packets for destination in self._destinations)

    @property
    def problem(self) -> str:
        """Which fixed destination is not reached, and why, in one line; empty when all are, as far as is known."""
        return next((destination.problem for destination in self._destinations if destination.problem), "")

    def publish(self, frame: Frame, now_s: float) -> None:
        """Send a frame; ``now_s`` is monotonic. Raises nothing."""
        with self._lock:
            addresses = self._subscribers.active(now_s)
            if not (addresses or self._destinations):
                return
            try:
                packet = self._encoder.encode(frame)
            except OscError:
                # A fault of whoever made the frame; the other viewers and the meters shall not stand still for it.
                if self._unsendable.happened(now_s):
                    log.exception("a frame could not be sent")
                return
            self._send(packet, addresses, is_frame=True)

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:
        """Send that a trim is in the log. Call it after the commit, never before."""
        values = (trim.track, trim.adjustment, trim.as_found_db, trim.as_left_db, trim.spread_db, trim_id)
        with self._lock:
            self._send(TRIM_LOGGED.encode(*values), self._subscribers.active(now_s), is_frame=False)

    def _send(self, packet: bytes, subscribers: Sequence[Sender], *, is_frame: bool) -> None:
        for destination in self._destinations:
            destination.send(packet)
        for subscriber in subscribers:
            if not isinstance(subscriber, StreamPeer):
                self._endpoint.send(packet, subscriber)
            elif is_frame:
                subscriber.link.show(packet)
            else:
                subscriber.link.send(packet)

    def close(self) -> None:
        """Let go of the fixed destinations."""
        with self._lock:
            for destination in self._destinations:
                destination.close()
