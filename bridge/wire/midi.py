"""MIDI ports of this computer: which there are, by the MIDI system that has them."""

import contextlib


class MidiUnavailableError(Exception):
    """MIDI cannot be used on this computer. The message says why, in one line."""


def input_names() -> dict[str, list[str]]:
    """Return the names of the MIDI inputs for each MIDI system.

    Raises
    ------
    MidiUnavailableError
        When python-rtmidi is not installed (it has no wheel for CPython 3.13 and newer) or no MIDI system answers.
    """
    try:
        import rtmidi
    except ImportError:
        raise MidiUnavailableError("python-rtmidi is not installed: MIDI needs Python 3.11 or 3.12") from None
    names: dict[str, list[str]] = {}
    for api in rtmidi.get_compiled_api():
        if api == rtmidi.API_RTMIDI_DUMMY:
            continue
        # A MIDI system that is compiled in but not running raises; the others are still worth showing.
        with contextlib.suppress(rtmidi.SystemError, rtmidi.NoDevicesError):
            port = rtmidi.MidiIn(rtapi=api)
            try:
                names[rtmidi.get_api_display_name(api)] = port.get_ports()
            finally:
                port.delete()
    if not names:
        raise MidiUnavailableError("no MIDI system is running")
    return names
