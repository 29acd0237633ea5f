"""What sound and MIDI this computer can hear: the commands `inputs` and `init`."""

import json
import sys
from dataclasses import asdict
from pathlib import Path

from bridge.cli.console import Nobody, at_terminal
from bridge.cli.failures import FailedError
from bridge.cli.init import init
from bridge.cli.level_meter import live_levels
from bridge.cli.tables import show, table
from bridge.source.devices import AudioInterfaces, list_interfaces
from bridge.wire.midi import MidiUnavailableError, input_names


def _interfaces() -> AudioInterfaces:
    try:
        return list_interfaces()
    except OSError as error:
        raise FailedError(str(error)) from None


def show_inputs(*, as_json: bool) -> None:
    """Print every audio interface with inputs, by host API, and every MIDI input."""
    audio_problem = midi_problem = ""
    interfaces = AudioInterfaces((), ())
    try:
        interfaces = list_interfaces()
    except OSError as error:
        audio_problem = str(error)
    midi: dict[str, list[str]] = {}
    try:
        midi = input_names()
    except MidiUnavailableError as error:
        midi_problem = str(error)
    if as_json:
        found = {
            **asdict(interfaces), "midi": midi, "audio_problem": audio_problem, "midi_problem": midi_problem,
        }  # fmt: skip
        json.dump(found, sys.stdout, ensure_ascii=False, indent=1)
        print()
    else:
        _print(interfaces, midi, midi_problem)
    if audio_problem:
        raise FailedError(audio_problem)


def _print(interfaces: AudioInterfaces, midi: dict[str, list[str]], midi_problem: str) -> None:
    rows = [(one.host_api, one.name, str(one.channels), str(one.sample_rate_hz)) for one in interfaces.devices]
    with_inputs = {device.host_api for device in interfaces.devices}
    rows += [(name, "none with inputs", "", "") for name in interfaces.host_apis if name not in with_inputs]
    show(table("host API", "audio interface", ">inputs", ">Hz"), rows)
    print()
    for api, names in midi.items():
        for name in names or ["none"]:
            print(f"MIDI input, {api}: {name}")
    if midi_problem:
        print(f"MIDI: {midi_problem}")


def init_config(path: Path, *, yes: bool) -> None:
    """Ask, and write a config."""
    console = Nobody(sys.stdout) if yes else at_terminal()
    try:
        status = init(path, console, _interfaces().devices, live_levels)
    except (KeyboardInterrupt, EOFError):
        raise FailedError("stopped; nothing was written") from None
    sys.exit(status)
