"""MIDI ports of this computer: which there are, by the MIDI system that has them.

A process of its own asks, as for audio interfaces: the MIDI libraries write to the terminal when a system is missing.
"""

import contextlib
import json
import re
import sys
from typing import Final

from bridge.source import child

LIMIT_S: Final = 10.0

NOT_INSTALLED: Final = "python-rtmidi is not installed: MIDI needs Python 3.11 or 3.12"


class MidiUnavailableError(Exception):
    """MIDI cannot be used on this computer. The message says why, in one line."""


def stable_part(name: str) -> str:
    """Return the part of a port's name that is the same the next time.

    ALSA ends it with the numbers of client and port, Windows with a number, and the bridge from ALSA to JACK puts the
    client's number in brackets; each is given out anew when a device is plugged in.
    """
    bridged = re.match(r"a2j:(.+?) \[\d+\]", name)
    if bridged:
        return bridged[1]
    given_out = r"\s+\d+$" if sys.platform == "win32" else r"\s+\d+:\d+$"
    return re.sub(given_out, "", name) or name


def input_names() -> dict[str, list[str]]:
    """Return the names of the MIDI inputs for each MIDI system that runs.

    Raises
    ------
    MidiUnavailableError
        When python-rtmidi is not installed (it has no wheel for CPython 3.13 and newer) or no MIDI system answers.
    """
    try:
        names: dict[str, list[str]] | None = child.ask("bridge.wire.midi", LIMIT_S)
    except TimeoutError:
        raise MidiUnavailableError(f"no MIDI system answered within {LIMIT_S:g} s") from None
    except ChildProcessError as error:
        raise MidiUnavailableError(f"the process that lists MIDI {error}") from None
    if names is None:
        raise MidiUnavailableError(NOT_INSTALLED)
    if not names:
        raise MidiUnavailableError("no MIDI system is running")
    return names


def _asked_here() -> dict[str, list[str]] | None:
    try:
        import rtmidi  # noqa: PLC0415 - it is not installed everywhere
    except ImportError:
        return None
    names: dict[str, list[str]] = {}
    for api in rtmidi.get_compiled_api():
        if api == rtmidi.API_RTMIDI_DUMMY:
            continue
        # A MIDI system that is compiled in but not running raises; the others are still worth showing.
        with contextlib.suppress(rtmidi.SystemError, rtmidi.NoDevicesError):
            port = rtmidi.MidiIn(rtapi=api)
            names[rtmidi.get_api_display_name(api)] = port.get_ports()
            port.delete()
    return names


if __name__ == "__main__":
    sys.stdout.write(json.dumps(_asked_here()))
