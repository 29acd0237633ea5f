"""The frame as one OSC bundle: a `bridge.readings.Frame` in, bytes out, for UDP and for the page alike.

The same messages go out 30 times a second with other numbers in them, so they are laid out once and only the numbers
are filled in. The messages of a bundle belong together and have no order (OSC 1.0, "Temporal Semantics and OSC Time
Tags"), so those of fixed length come first, then the states, then what rarely changes.
"""

import operator
from collections.abc import Callable
from itertools import chain
from typing import Final, get_args

import numpy as np

from bridge.readings import Frame, Reading, State
from bridge.wire import osc
from bridge.wire.addresses import FRAME_ADDRESSES, READING_ADDRESSES, Address

_TONE: Final = FRAME_ADDRESSES[:2]
_STATE: Final = READING_ADDRESSES[-1]
_LEVELS: Final = READING_ADDRESSES[:-1]
_SELDOM: Final = FRAME_ADDRESSES[2:]

_level_values: Callable[[Reading], tuple[float, ...]] = operator.attrgetter(*(row.field for row in _LEVELS))
_tone_values: Callable[[Frame], tuple[float, ...]] = operator.attrgetter(*(row.field for row in _TONE))
_seldom_values: Callable[[Frame], tuple[osc.Argument, ...]] = operator.attrgetter(*(row.field for row in _SELDOM))
_track: Callable[[Reading], int] = operator.attrgetter("track")

reading_values: Callable[[Reading], tuple[osc.Argument, ...]] = operator.attrgetter(
    *(row.field for row in READING_ADDRESSES)
)
frame_values: Callable[[Frame], tuple[osc.Argument, ...]] = operator.attrgetter(*(row.field for row in FRAME_ADDRESSES))
"""What is sent of a reading and of a frame, in the order of the tables."""


def _element(row: Address, value: osc.Argument, track: int = 0) -> bytes:
    message = row.encode(value, track=track)
    return len(message).to_bytes(4, "big") + message


class FrameEncoder:
    """Writes frames; for one thread. Quickest while the tracks stay the same from frame to frame.

    Parameters
    ----------
    immediately : bool
        Whether the time tag of all frames is "immediately".
    """

    def __init__(self, *, immediately: bool = False) -> None:
        self._immediately = immediately
        self._lay_out(())

    def _lay_out(self, tracks: tuple[int, ...]) -> None:
        elements = [_element(row, 0.0, track) for track in tracks for row in _LEVELS]
        elements += [_element(row, 0.0) for row in _TONE]
        header = osc.encode_bundle(osc.IMMEDIATELY, ())
        self._tracks = tracks
        self._fixed = np.frombuffer(header + b"".join(elements), np.uint8).copy()
        self._time_tag = self._fixed[8:16].view(">u8")
        self._words = self._fixed.view(">f4")
        # A message of one float ends with it.
        self._places = (np.cumsum([len(header)] + [len(element) for element in elements])[1:] - 4) // 4
        self._states = [{state: _element(_STATE, state, track) for state in get_args(State)} for track in tracks]
        self._seldom: tuple[osc.Argument, ...] = ()
        self._seldom_elements = b""

    def encode(self, frame: Frame) -> bytes:
        """Return the frame as one bundle; its time tag is the moment at which the last sample was captured.

        Raises
        ------
        bridge.wire.osc.OscError
            When a value cannot be sent as the address table says.
        """
        readings = frame.readings
        tracks = tuple(map(_track, readings))
        if tracks != self._tracks:
            self._lay_out(tracks)
        self._time_tag[0] = osc.IMMEDIATELY if self._immediately else osc.time_tag_from_ns(frame.captured_ns)
        with np.errstate(over="ignore"):
            self._words[self._places] = [*chain.from_iterable(map(_level_values, readings)), *_tone_values(frame)]
        seldom = _seldom_values(frame)
        if seldom != self._seldom:
            elements = [_element(row, value) for row, value in zip(_SELDOM, seldom, strict=True)]
            self._seldom, self._seldom_elements = seldom, b"".join(elements)
        states = [elements[reading.state] for elements, reading in zip(self._states, readings, strict=True)]
        return b"".join((self._fixed.tobytes(), *states, self._seldom_elements))
