"""The address space as a tree for programs that ask for it over HTTP: the address table in, documents out. Pure.

It follows the open OSCQuery proposal (third revision, as of 2018). Where that leaves a choice or contradicts itself:

- an address without arguments is an impulse (type ``I``): that is how a button sends it;
- a number that there is nothing to say about (NaN, which JSON has not) is ``null``;
- an attribute that is known to the proposal, and which the node or this program does not have, is answered with 204.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from bridge.readings import Frame
from bridge.wire import osc
from bridge.wire.addresses import (
    COMMAND_ADDRESSES,
    EVENT_ADDRESSES,
    FRAME_ADDRESSES,
    READING_ADDRESSES,
    SESSION_ADDRESSES,
    Address,
    Argument,
)
from bridge.wire.frames import frame_values, reading_values

JsonObject = dict[str, object]
Values = Mapping[str, tuple[osc.Argument, ...]]
"""What was last sent, by address."""

READABLE: Final = 1
WRITABLE: Final = 2

REQUIRED: Final = ("FULL_PATH", "CONTENTS", "TYPE")
SERVED: Final = ("ACCESS", "VALUE", "RANGE", "DESCRIPTION")
NOT_SERVED: Final = ("TAGS", "EXTENDED_TYPE", "UNIT", "CRITICAL", "CLIPMODE", "OVERLOADS", "HTML")
"""The attributes of the proposal that are always there, those of the others that are here, and those that are not.
Units stand in the descriptions: those of the proposal know no VU and no inches a second (from memory)."""

HOST_INFO: Final = "HOST_INFO"
ATTRIBUTES: Final = (*REQUIRED, *SERVED, *NOT_SERVED)

_MESSAGES: Final = {"LISTEN": True} | dict.fromkeys(
    ("PATH_CHANGED", "PATH_RENAMED", "PATH_ADDED", "PATH_REMOVED"), False
)
"""What is said over WebSockets. The tree is the same from start to stop, so no path ever changes."""

CONTAINERS: Final = {
    "/": "a calibration of an analogue multitrack tape recorder, as it goes on",
    "/track": "the tracks of the machine; those of the bank that is patched have values",
    "/tone": "the tone that plays",
    "/step": "the step of the calibration",
    "/calibration": "the calibration as a whole",
    "/focus": "which track is worked on",
    "/bank": "which tracks are patched",
    "/hold": "whether anything is automatic",
    "/follow": "whether the tape leads from step to step",
    "/tape": "where the tape is",
    "/health": "what went wrong so far",
    "/trim": "what was logged",
    "/do": "what a person can tell the calibration to do; one more string, a request id, is answered",
    "/practice": "turns trimmers and tape of the simulated recorder",
}


@dataclass(frozen=True, slots=True)
class Host:
    """Where OSC is spoken.

    Parameters
    ----------
    name : str
        What people call it.
    osc_ip : str
        Numeric address that hears; empty when it is that of the HTTP server.
    osc_port : int
        Its UDP port; 0 when OSC is not spoken over UDP.
    """

    name: str
    osc_ip: str
    osc_port: int

    def document(self) -> JsonObject:
        """Return the HOST_INFO. WebSockets are served where this is asked for, so that is left out."""
        extensions = dict.fromkeys(SERVED, True) | dict.fromkeys(NOT_SERVED, False) | _MESSAGES
        found: JsonObject = {"NAME": self.name, "EXTENSIONS": extensions}
        if self.osc_port:
            found |= {"OSC_PORT": self.osc_port, "OSC_TRANSPORT": "UDP"}
            if self.osc_ip:
                found["OSC_IP"] = self.osc_ip
        return found


@dataclass(frozen=True, slots=True)
class Reply:
    """What a question is answered with: an HTTP status, and a document or why there is none."""

    status: int
    document: JsonObject | None = None
    reason: str = ""


def values_of(frame: Frame) -> dict[str, tuple[osc.Argument, ...]]:
    """Return what a frame says, by address."""
    said: dict[str, tuple[osc.Argument, ...]] = {
        row.path: (value,) for row, value in zip(FRAME_ADDRESSES, frame_values(frame), strict=True)
    }
    for reading in frame.readings:
        for row, value in zip(READING_ADDRESSES, reading_values(reading), strict=True):
            said[row.of_track(reading.track)] = (value,)
    return said


class Tree:
    """The tree of one machine.

    Parameters
    ----------
    tracks : iterable of int
        Numbers of its tracks.
    host : Host
    """

    def __init__(self, tracks: Iterable[int], host: Host) -> None:
        self._host = host
        self._nodes: dict[str, JsonObject] = {}
        self.rows: dict[str, Address] = {}
        """What is sent, by its address, with that in the row."""
        tracks = tuple(tracks)
        readings = [(row.of_track(track), row) for track in tracks for row in READING_ADDRESSES]
        for path, row in (*readings, *((row.path, row) for row in (*FRAME_ADDRESSES, *EVENT_ADDRESSES))):
            self.rows[path] = replace(row, path=path)
            self._add(path, _leaf(path, row, READABLE))
        for row in (*COMMAND_ADDRESSES, *SESSION_ADDRESSES):
            # What can be asked for under the address of its answer stays what it answers with.
            if row.path not in self.rows:
                self._add(row.path, _leaf(row.path, row, WRITABLE))

    def _add(self, path: str, leaf: JsonObject) -> None:
        self._nodes[path] = leaf
        while path != "/":
            above, _, name = path.rpartition("/")
            above = above or "/"
            contents = self._nodes.setdefault(above, _container(above))["CONTENTS"]
            assert isinstance(contents, dict)
            contents[name] = self._nodes[path]
            path = above

    def answer(self, path: str, query: str, values: Values) -> Reply:
        """Return what a question is answered with.

        Parameters
        ----------
        path : str
            An address, or the beginning of some.
        query : str
            One attribute, or empty for all of the node and what is below it.
        values : mapping
            What was last sent.
        """
        if query == HOST_INFO:
            return Reply(200, self._host.document())
        node = self._nodes.get(path.rstrip("/") or "/")
        if node is None:
            return Reply(404, reason=f"nothing is at {path[:255]}")
        if not query:
            return Reply(200, _with_values(node, values))
        if query not in ATTRIBUTES:
            return Reply(400, reason=f"{query[:40]} is no attribute: ask for one of {', '.join(ATTRIBUTES)}")
        if query == "VALUE" and node["ACCESS"] == READABLE:
            return Reply(200, {"VALUE": said} if (said := _value(node, values)) is not None else {})
        found = _with_values(node, values)
        return Reply(200, {query: found[query]}) if query in found else Reply(204)


def _container(path: str) -> JsonObject:
    above, _, name = path.rpartition("/")
    about = f"track {name}" if above == "/track" else CONTAINERS.get(path, f"what belongs to {name}")
    return {"FULL_PATH": path, "ACCESS": 0, "DESCRIPTION": about, "CONTENTS": {}}


def _leaf(path: str, row: Address, access: int) -> JsonObject:
    leaf: JsonObject = {
        "FULL_PATH": path,
        "TYPE": row.tags or "I",
        "ACCESS": access,
        "DESCRIPTION": described(row),
    }
    if row.arguments:
        leaf["RANGE"] = [_range(argument) for argument in row.arguments]
    return leaf


def described(row: Address) -> str:
    """Return what an address is about, with its arguments and their units."""
    named = [f"{argument.name} in {argument.unit}" if argument.unit else argument.name for argument in row.arguments]
    return f"{row.about} ({', '.join(named)})" if named else row.about


def _range(argument: Argument) -> JsonObject:
    if argument.choices:
        return {"VALS": list(argument.choices)}
    if argument.lowest is None or argument.highest is None:
        return {}
    if argument.tag == "i":
        return {"MIN": int(argument.lowest), "MAX": int(argument.highest)}
    return {"MIN": float(argument.lowest), "MAX": float(argument.highest)}


def _with_values(node: JsonObject, values: Values) -> JsonObject:
    contents = node.get("CONTENTS")
    if isinstance(contents, dict):
        return {**node, "CONTENTS": {name: _with_values(below, values) for name, below in contents.items()}}
    said = _value(node, values)
    return node if said is None else {**node, "VALUE": said}


def _value(node: JsonObject, values: Values) -> list[osc.Argument] | None:
    said = values.get(str(node["FULL_PATH"]))
    return None if said is None else [_json(value) for value in said]


def _json(value: osc.Argument) -> osc.Argument:
    return None if isinstance(value, float) and not math.isfinite(value) else value
