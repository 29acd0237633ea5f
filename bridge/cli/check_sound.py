"""Whether the sound can be had and each step its tone, and the MIDI ports: settings in, findings out."""

import time
from collections.abc import Iterator, Sequence
from typing import Final

from bridge.cli.finding import Finding
from bridge.config.convert import to_banks
from bridge.config.midi_settings import MidiSettings
from bridge.config.settings import Settings
from bridge.daemon.sources import wanted_inputs
from bridge.procedure.steps import Step
from bridge.ranges import tracks_named
from bridge.sinks.midi import output_parts
from bridge.source.device import Device
from bridge.source.devices import find, list_interfaces
from bridge.source.faults import SourceLostError
from bridge.source.recording import Recording
from bridge.wire.midi import MidiUnavailableError, input_names
from bridge.wire.midi_ports import MidiPorts

LISTENED_S: Final = 0.3
"""Long enough for the noise of any converter to show."""

PORTS_S: Final = 15.0
"""How long MIDI ports are looked for, as long as one is missing: they are opened by a process that has to start, on a
computer that may be busy."""

LOOK_S: Final = 0.05


def steps(settings: Settings, planned: Sequence[Step]) -> Iterator[Finding]:
    """Test whether every track can get what it needs in every step."""
    for number, step in enumerate(planned, start=1):
        for warning in step.target_warnings:
            if warning.code == "tone_missing":
                message = f"step {number}, {step.adjustment}: {warning.message.removeprefix('tape.tones: ')}"
                advice = f"{warning.advice}: change the step's tone_hz, or add the tone to [tape] tones"
                yield Finding("steps", "bad", message, advice)
    if not planned:
        yield Finding("steps", "note", "there is no step: levels are shown, and no trim is logged", "add a [[step]]")
    patched = {track for bank in to_banks(settings) for track in bank.tracks}
    left_out = [track for track in range(1, settings.machine.tracks + 1) if track not in patched]
    if left_out:
        named = tracks_named(left_out)
        message = f"{named} of {settings.machine.tracks}: patched to no input, so not calibrated"
        yield Finding("steps", "note", message, "add them to [audio] inputs, or lower [machine] tracks")


def audio(settings: Settings) -> Iterator[Finding]:
    """Test the source."""
    asked = settings.audio
    wanted = wanted_inputs(settings)
    if asked.source == "recording":
        assert asked.recording is not None
        try:
            found = Recording(asked.recording, wanted, asked.block_frames, realtime=True, epoch_ns=0)
            yield Finding("audio", "good", found.description)
        except SourceLostError as error:
            yield Finding("audio", "bad", str(error), "give a WAV, RF64 or FLAC file with a channel for each input")
        return
    if asked.source == "simulated":
        advice = 'for the real machine set [audio] source = "device"'
        yield Finding("audio", "note", "the simulated recorder plays: this is practice", advice)
        return
    interfaces = list_interfaces()
    try:
        device = interfaces.devices[find(interfaces.devices, asked.device, asked.host_api)]
    except (LookupError, SourceLostError, ValueError) as error:
        yield Finding("audio", "bad", str(error), "see `trimbridge inputs` for what there is")
        return
    if device.channels < max(wanted):
        advice = "change [audio] inputs to inputs that it has"
        yield Finding("audio", "bad", f"{device} has no input {max(wanted)}", advice)
        return
    yield from _heard(Device(asked.device, asked.host_api, wanted, asked.sample_rate_hz, asked.block_frames))


def _heard(device: Device) -> Iterator[Finding]:
    """Open the interface as the daemon would, and listen for a moment."""
    try:
        device.start()
        end_s = time.monotonic() + LISTENED_S
        while time.monotonic() < end_s:
            device.read(LISTENED_S)
    except SourceLostError as error:
        yield Finding(
            "audio", "bad", str(error),
            "end whatever else has it; set [audio] sample_rate_hz to a rate that it runs at",
        )  # fmt: skip
        return
    finally:
        device.stop()
    yield Finding("audio", "good", device.description)
    if device.all_zero:
        yield Finding(
            "audio", "note", "every input is exactly zero, not even noise",
            "see what is connected and patched; on macOS, allow the microphone",
        )  # fmt: skip


def midi(settings: MidiSettings | None) -> Iterator[Finding]:
    """Test MIDI, and whether the ports are there that the config names; None where it names nothing."""
    ports = None if settings is None or not settings.enabled else _ports(settings)
    wants = ports is not None and ports.state != "off"
    try:
        names = [name for found in input_names().values() for name in found]
    except MidiUnavailableError as error:
        if wants:
            yield Finding("midi", "bad", str(error), "the config names MIDI ports: start MIDI, or take them out")
        else:
            yield Finding("midi", "note", str(error), "needed only for foot switches and controllers")
        return
    if ports is not None and wants:
        yield from _missing(ports, names)
    yield Finding("midi", "good", f"inputs: {', '.join(names) or 'none'}")


def _ports(settings: MidiSettings) -> MidiPorts:
    inputs = [bind.port for bind in settings.bind] + ([settings.time_code] if settings.time_code else [])
    return MidiPorts(inputs, output_parts(settings), settings.system, lambda _name, _message, _at_s: None)


def _missing(ports: MidiPorts, names: Sequence[str]) -> Iterator[Finding]:
    """Open the ports as the daemon would, and name those that are not there."""
    ports.start()
    try:
        end_s = time.monotonic() + PORTS_S
        while ports.state != "ready" and time.monotonic() < end_s:
            time.sleep(LOOK_S)
        missing = ports.missing
    finally:
        ports.stop()
    for part in missing:
        message = f'no MIDI port "{part}" is there' if part else "no MIDI port is there"
        there = f"inputs are: {', '.join(names)}" if names else "there is no MIDI input at all"
        yield Finding("midi", "bad", message, f"connect it, or mend its name in [midi]; {there}")
