"""The one door to PortAudio, for child processes only. Run as a module, it prints the audio interfaces as JSON.

What enters: the audio libraries of the operating system. What leaves: `AudioInterfaces`, and the ``sounddevice`` module
for `bridge.source.capture`.
"""

import contextlib
import ctypes
import json
import os
from types import ModuleType
from typing import Final

from bridge.source import child
from bridge.source.devices import AudioInterfaces, InputDevice, as_json

_JACK_LIBRARY: Final = "libportaudio.so.2"

_CLOSE_LIMIT_S: Final = 1.0

_client_names: list[bytes] = []
"""Keeps alive what PortAudio holds a pointer to."""


def load(jack_client: str) -> ModuleType:
    """Start PortAudio and return ``sounddevice``.

    Parameters
    ----------
    jack_client : str
        What this process is called on a JACK server, so that patch bays find it again. Only where PortAudio is the
        system's (elsewhere it has no JACK).

    Raises
    ------
    OSError
        When PortAudio is not installed or does not start. The message is one line.
    """
    # Only before PortAudio starts can the name be set, and importing sounddevice starts it.
    with contextlib.suppress(OSError, AttributeError):
        _client_names.append(jack_client.encode())
        ctypes.CDLL(_JACK_LIBRARY).PaJack_SetClientName(_client_names[-1])
    try:
        import sounddevice  # noqa: PLC0415
    except OSError as error:
        raise OSError(f"PortAudio is not installed (on Debian: apt install libportaudio2): {error}") from None
    except Exception as error:
        raise OSError(f"PortAudio does not start: {error}") from None
    module: ModuleType = sounddevice
    return module


def interfaces(sounddevice: ModuleType) -> tuple[AudioInterfaces, list[int]]:
    """Return what PortAudio lists, and PortAudio's index of each of the devices."""
    host_apis = tuple(api["name"] for api in sounddevice.query_hostapis())
    devices = []
    indices = []
    for index, entry in enumerate(sounddevice.query_devices()):
        if entry["max_input_channels"] > 0:
            api = host_apis[entry["hostapi"]]
            rate_hz = round(entry["default_samplerate"])
            devices.append(InputDevice(entry["name"], api, entry["max_input_channels"], rate_hz))
            indices.append(index)
    return AudioInterfaces(host_apis, tuple(devices)), indices


def main() -> None:
    """Print the list on standard output, and nothing else, whatever the audio libraries print there."""
    answer = os.dup(1)
    with open(os.devnull, "w") as nowhere:  # noqa: PTH123
        os.dup2(nowhere.fileno(), 1)
    try:
        text = as_json(interfaces(load("trimbridge-inputs"))[0])
    except OSError as error:
        text = json.dumps({"failed": str(error)})
    os.write(answer, text.encode())
    child.leave(0, _CLOSE_LIMIT_S)


if __name__ == "__main__":
    main()
