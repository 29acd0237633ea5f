"""A self-test with advice: the command `check`. Every part is tested, also when one before it fails."""

import json
import platform
import shutil
import socket
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final, Literal

from rich.text import Text

from bridge.cli.failures import FAILED, WRONG_USE
from bridge.cli.tables import show, table
from bridge.config.convert import to_banks, to_steps
from bridge.config.faults import ConfigFaults
from bridge.config.load import load
from bridge.config.settings import Settings
from bridge.daemon.setup import log_path
from bridge.daemon.sources import wanted_inputs
from bridge.log.faults import LogError
from bridge.log.lock import WriterLock
from bridge.log.store import open_reader
from bridge.source.device import Device
from bridge.source.devices import find, list_interfaces
from bridge.source.faults import SourceLostError
from bridge.source.recording import Recording
from bridge.wire.midi import MidiUnavailableError, input_names
from bridge.wire.udp import UdpEndpoint, UdpError, is_loopback, resolve

LEAST_FREE_BYTES: Final = 50_000_000
"""A calibration takes less than 1 MB; below this the disk is about to be full from something else."""

OLDEST_SQLITE: Final = (3, 22)
"""From here on a reader may open a log in WAL mode read-only (SQLite's release history)."""

LISTENED_S: Final = 0.3
"""Long enough for the noise of any converter to show."""

Verdict = Literal["good", "note", "bad"]


@dataclass(frozen=True, slots=True)
class Finding:
    """What one test found; ``advice`` is what to do about it."""

    part: str
    verdict: Verdict
    message: str
    advice: str = ""


def check_config(config: Path, *, as_json: bool) -> None:
    """Run all tests, print what they found, and exit with 1 when something is bad, 2 when it is the config."""
    findings = [_python()]
    try:
        settings = load(config)
    except ConfigFaults as faults:
        findings += [
            Finding("config", "bad", str(fault), "mend this line" if fault.line else "") for fault in faults.faults
        ]
        status = WRONG_USE
    else:
        steps = len(to_steps(settings))
        findings.append(
            Finding(
                "config", "good", f"{config}: {_counted(steps, 'step')}, {_counted(len(to_banks(settings)), 'bank')}"
            )
        )
        for test in (_source, _osc, _page, _log, _disk):
            findings += _tested(test, settings)
        status = FAILED
    findings += [_midi()]
    if as_json:
        json.dump([asdict(finding) for finding in findings], sys.stdout, ensure_ascii=False, indent=1)
        print()
    else:
        _print(findings)
    if any(finding.verdict == "bad" for finding in findings):
        sys.exit(status)


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _tested(test: Callable[[Settings], Iterator[Finding]], settings: Settings) -> Iterator[Finding]:
    try:
        yield from test(settings)
    except OSError as error:
        yield Finding(test.__name__.lstrip("_"), "bad", str(error), "see whether the path or device can be used at all")


def _python() -> Finding:
    version = platform.python_version()
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        oldest = ".".join(map(str, OLDEST_SQLITE))
        return Finding("python", "bad", f"SQLite {sqlite3.sqlite_version} is older than {oldest}", "use a newer Python")
    return Finding("python", "good", f"Python {version}, SQLite {sqlite3.sqlite_version}")


def _source(settings: Settings) -> Iterator[Finding]:
    audio = settings.audio
    wanted = wanted_inputs(settings)
    if audio.source == "recording":
        assert audio.recording is not None
        try:
            sound = Recording(audio.recording, wanted, audio.block_frames, realtime=True, epoch_ns=0)
            yield Finding("audio", "good", sound.description)
        except SourceLostError as error:
            yield Finding("audio", "bad", str(error), "give a WAV, RF64 or FLAC file with a channel for each input")
        return
    if audio.source == "simulated":
        advice = 'for the real machine set [audio] source = "device"'
        yield Finding("audio", "note", "the simulated recorder plays: this is practice", advice)
        return
    interfaces = list_interfaces()
    try:
        device = interfaces.devices[find(interfaces.devices, audio.device, audio.host_api)]
    except (LookupError, SourceLostError, ValueError) as error:
        yield Finding("audio", "bad", str(error), "see `trimbridge inputs` for what there is")
        return
    if device.channels < max(wanted):
        yield Finding(
            "audio", "bad", f"{device} has no input {max(wanted)}", "change [audio] inputs to inputs that it has"
        )
        return
    yield from _heard(Device(audio.device, audio.host_api, wanted, audio.sample_rate_hz, audio.block_frames))


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
            "stop the daemon or whatever else has it; set [audio] sample_rate_hz to a rate that it runs at",
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


def _osc(settings: Settings) -> Iterator[Finding]:
    osc = settings.osc
    if not osc.enabled:
        yield Finding("osc", "note", "OSC is off", "set [osc] enabled = true to send frames")
        return
    try:
        UdpEndpoint(osc.listen, osc.port).stop()
        yield Finding("osc", "good", f"commands can be heard at {osc.listen} port {osc.port}")
    except UdpError as error:
        yield Finding("osc", "bad", str(error), "another program has the port, or a daemon runs already")
    if not is_loopback(socket.gethostbyname(osc.listen)) and not osc.pairing_code:
        yield Finding(
            "osc", "note", "the network can reach the port, but there is no pairing_code",
            "set [osc] pairing_code, or commands from other computers are refused",
        )  # fmt: skip
    for destination in osc.destinations:
        try:
            resolve(destination)
        except UdpError as error:
            yield Finding("osc", "bad", str(error), "mend it in [osc] destinations")


def _page(settings: Settings) -> Iterator[Finding]:
    page = settings.page
    if not page.enabled:
        yield Finding("page", "note", "the page is off", "set [page] enabled = true for tablet and phone")
        return
    family = socket.AF_INET6 if ":" in page.listen else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as tried:
        if sys.platform != "win32":
            # As the server does it: a port that was closed a moment ago is free.
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            tried.bind((page.listen, page.port))
        except OSError as error:
            advice = "another program has the port, or a daemon runs already: give [page] port another number"
            message = f"cannot serve the page at {page.listen} port {page.port}: {error.strerror or error}"
            yield Finding("page", "bad", message, advice)
            return
    yield Finding("page", "good", f"the page can be served at {page.listen} port {page.port}")


def _log(settings: Settings) -> Iterator[Finding]:
    if not settings.log.enabled:
        yield Finding("log", "note", "the log is off: no trim is kept", "set [log] enabled = true")
        return
    path = log_path(settings)
    if not path.exists():
        yield Finding("log", "good", f"{path} will be made")
        return
    try:
        open_reader(path).close()
        WriterLock(path).release()
        yield Finding("log", "good", f"{path} can be written")
    except LogError as error:
        yield Finding("log", "bad", str(error), "stop the other daemon, or give [log] file another name")


def _disk(settings: Settings) -> Iterator[Finding]:
    place = log_path(settings).parent
    while not place.exists():
        place = place.parent
    free = shutil.disk_usage(place).free
    if free < LEAST_FREE_BYTES:
        yield Finding("disk", "bad", f"{free / 1e6:.0f} MB free at {place}", "make room: a full disk refuses trims")
    else:
        yield Finding("disk", "good", f"{free / 1e9:.1f} GB free at {place}")


def _midi() -> Finding:
    try:
        names = [name for found in input_names().values() for name in found]
    except MidiUnavailableError as error:
        return Finding("midi", "note", str(error), "needed only for foot switches and controllers")
    return Finding("midi", "good", f"inputs: {', '.join(names) or 'none'}")


def _print(findings: list[Finding]) -> None:
    made = table("", "", "")
    made.show_header = False
    for finding in findings:
        advice = f" → {finding.advice}" if finding.advice else ""
        style = "bold" if finding.verdict == "bad" else ""
        made.add_row(Text(finding.verdict, style=style), finding.part, Text(f"{finding.message}{advice}"))
    show(made)
