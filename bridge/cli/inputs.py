"""What sound and MIDI this computer can hear: the commands `inputs` and `init`."""

import json
import sys
from dataclasses import asdict
from pathlib import Path

from rich.console import Console
from rich.table import Table

from bridge.cli.console import Nobody, at_terminal
from bridge.cli.failures import FailedError
from bridge.cli.init import init
from bridge.cli.level_meter import live_levels
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
    console = Console()
    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading, right in (("host API", False), ("audio interface", False), ("inputs", True), ("Hz", True)):
        table.add_column(heading, justify="right" if right else "left")
    for device in interfaces.devices:
        table.add_row(device.host_api, device.name, str(device.channels), str(device.sample_rate_hz))
    for host_api in interfaces.host_apis:
        if not any(device.host_api == host_api for device in interfaces.devices):
            table.add_row(host_api, "none with inputs", "", "")
    console.print(table)
    console.print()
    for api, names in midi.items():
        for name in names or ["none"]:
            console.print(f"MIDI input, {api}: {name}", markup=False, highlight=False)
    if midi_problem:
        console.print(f"MIDI: {midi_problem}", markup=False, highlight=False)


def init_config(path: Path, *, yes: bool) -> None:
    """Ask, and write a config."""
    console = Nobody(sys.stdout) if yes else at_terminal()
    try:
        status = init(path, console, _interfaces().devices, live_levels)
    except (KeyboardInterrupt, EOFError):
        raise FailedError("stopped; nothing was written") from None
    sys.exit(status)
