"""The audio interfaces of this machine: what PortAudio lists now, and which of them a name means.

PortAudio reads the list once and keeps it, and the libraries below it write to the terminal; so a process of its own
reads it each time, and what that process writes beside the list is dropped.
"""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from bridge.source import child


@dataclass(frozen=True, slots=True)
class InputDevice:
    """An audio interface with inputs, as one host API shows it.

    ``sample_rate_hz`` is the rate that the host API calls the default; on a JACK server it is the only one.
    """

    name: str
    host_api: str
    channels: int
    sample_rate_hz: int

    def __str__(self) -> str:
        return f'"{self.name}" ({self.host_api}, {self.channels} input{"s"[: self.channels != 1]})'


@dataclass(frozen=True, slots=True)
class AudioInterfaces:
    """Every host API of this machine's PortAudio, and every device with at least one input."""

    host_apis: tuple[str, ...]
    devices: tuple[InputDevice, ...]


def list_interfaces(time_limit_s: float = 15.0) -> AudioInterfaces:
    """Return what is plugged in now.

    Raises
    ------
    OSError
        When PortAudio is missing or does not answer in time. The message is one line.
    """
    try:
        answer = child.ask("bridge.source.portaudio", time_limit_s)
    except TimeoutError:
        raise OSError(f"PortAudio did not list the audio interfaces within {time_limit_s:g} s") from None
    except ChildProcessError as error:
        raise OSError(f"the process that lists the audio interfaces {error}") from None
    if "failed" in answer:
        raise OSError(answer["failed"])
    return AudioInterfaces(tuple(answer["host_apis"]), tuple(InputDevice(**fields) for fields in answer["devices"]))


def as_json(interfaces: AudioInterfaces) -> str:
    """Return the list in the form that `list_interfaces` reads."""
    return json.dumps(asdict(interfaces))


def find(devices: Sequence[InputDevice], name: str, host_api: str) -> int:
    """Return the position of the one device that is meant.

    Parameters
    ----------
    devices : sequence of InputDevice
    name : str
        The device's name or a part of it, in upper or lower case; a whole name goes before parts. Empty: any.
    host_api : str
        The same for the host API.

    Raises
    ------
    LookupError
        When none or several fit. The message is one line and names what is there.
    """
    if not devices:
        raise LookupError("there is no audio interface with inputs")
    fitting = [n for n, device in enumerate(devices) if _fits(host_api, device.host_api)]
    fitting = [n for n in fitting if _fits(name, devices[n].name)]
    for wanted, field in ((name, "name"), (host_api, "host_api")):
        whole = [n for n in fitting if getattr(devices[n], field).casefold() == wanted.casefold()]
        fitting = whole or fitting
    if len(fitting) == 1:
        return fitting[0]
    asked = f'"{name}"' + (f' on host API "{host_api}"' if host_api else "")
    if not fitting:
        raise LookupError(f"no audio interface {asked}; there are: {_listed(devices)}")
    those = _listed([devices[n] for n in fitting])
    raise LookupError(f"{asked} fits {len(fitting)} audio interfaces, name one of them and its host API: {those}")


def _fits(wanted: str, present: str) -> bool:
    return wanted.casefold() in present.casefold()


def _listed(devices: Sequence[InputDevice]) -> str:
    return ", ".join(str(device) for device in devices)
