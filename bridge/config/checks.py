"""What one key alone cannot tell: settings in; what does not fit together, out."""

import ipaddress
from collections.abc import Callable, Collection, Iterator
from functools import partial
from typing import Final

from bridge.config.convert import to_equalization, to_machine, to_steps, to_tape, to_tapes
from bridge.config.faults import Finding, shown
from bridge.config.midi_checks import midi_findings
from bridge.config.positions import Path
from bridge.config.receivers import receiver
from bridge.config.settings import EqualizationSetting, Settings, TapeSettings
from bridge.procedure.tapes import Tapes
from bridge.source.channels import MAX_INPUTS
from bridge.tape.calibration_tape import tape_for
from bridge.tape.errors import TapeError
from bridge.tape.wavelength import same_speed


def findings(settings: Settings, faulty: Collection[Path], *, source_needed: bool = True) -> list[Finding]:
    """Return what does not fit together.

    Parameters
    ----------
    settings : Settings
        The settings, with defaults where something is wrong.
    faulty : collection of paths
        What is wrong already. A check that needs any of it is left out: it would accuse the defaults.
    source_needed : bool
        Whether the source is to be opened.
    """
    return [
        finding
        for needs, check in (*_CHECKS, *_tape_checks(settings), *(_SOURCE_CHECKS if source_needed else ()))
        if not any(path[: len(need)] == need[: len(path)] for need in needs for path in faulty)
        for finding in check(settings)
    ]


def _speeds(settings: Settings) -> Iterator[Finding]:
    for index, speed in enumerate(settings.machine.speeds):
        path = ("machine", "speeds", index, "ips")
        if any(same_speed(speed.ips, earlier.ips) for earlier in settings.machine.speeds[:index]):
            yield Finding(path, "this speed stands there already; one equalization each")
        yield from _curve(("machine", "speeds", index, "equalization"), speed.equalization, speed.ips)


def _curve(path: Path, setting: EqualizationSetting, ips: float) -> Iterator[Finding]:
    try:
        to_equalization(setting, ips)
    except TapeError as wrong:
        yield Finding(path, wrong.problem, show_value=False)


def _step_speeds(settings: Settings) -> Iterator[Finding]:
    speeds = [speed.ips for speed in settings.machine.speeds]
    for index, step in enumerate(settings.step):
        if speeds and step.speed_ips is not None and not any(same_speed(speed, step.speed_ips) for speed in speeds):
            problem = f"the machine has no such speed: it has {_listed(speeds)} in/s"
            yield Finding(("step", index, "speed_ips"), problem, "add it as [[machine.speeds]]")


def _tone_speeds(settings: Settings) -> Iterator[Finding]:
    speeds = [speed.ips for speed in settings.machine.speeds]
    known = speeds or list(dict.fromkeys(tape.speed_ips for tape in settings.tapes))
    # Without speeds of the machine a step may name any.
    known += [step.speed_ips for step in settings.step if step.speed_ips is not None and not speeds]
    for index, tone in enumerate(settings.midi.tone):
        if tone.speed_ips is not None and not any(same_speed(speed, tone.speed_ips) for speed in known):
            problem = f"no step is at this speed: there are steps at {_listed(known)} in/s"
            if speeds:
                problem = f"the machine has no such speed: it has {_listed(speeds)} in/s"
            yield Finding(("midi", "tone", index, "speed_ips"), problem, "or leave it out, for steps at any speed")


def _machine(settings: Settings) -> Iterator[Finding]:
    if not any(_speeds(settings)):
        yield from _built(("machine",), partial(to_machine, settings))


def _tape_checks(settings: Settings) -> Iterator["_Check"]:
    """Yield the checks of each calibration tape by itself."""
    several = isinstance(settings.tape, tuple)
    for index, tape in enumerate(settings.tapes):
        at: Path = ("tape", index) if several else ("tape",)
        yield ((*at, "equalization"), (*at, "speed_ips")), partial(_tape_curve, at, tape)
        yield (at,), partial(_tape, at, tape)


def _tape_curve(at: Path, tape: TapeSettings, _settings: Settings) -> Iterator[Finding]:
    yield from _curve((*at, "equalization"), tape.equalization, tape.speed_ips)


def _tape(at: Path, tape: TapeSettings, settings: Settings) -> Iterator[Finding]:
    if not any(_tape_curve(at, tape, settings)):
        yield from _built(at, partial(to_tape, tape))


def _built(at: Path, make: Callable[[], object]) -> Iterator[Finding]:
    try:
        make()
    except TapeError as wrong:
        path = wrong.key.split(".")
        inner = path[1:] if path[0] == at[0] else path
        yield Finding((*at, *inner), wrong.problem, show_value=False)


def _tapes_together(settings: Settings) -> Iterator[Finding]:
    """Find tapes that nothing would be trimmed to."""
    if len(settings.tapes) == 1 or any(_tapes_alone(settings)):
        return
    tapes = to_tapes(settings)
    speeds = [speed.ips for speed in settings.machine.speeds]
    for index, tape in enumerate(tapes):
        path = ("tape", index, "speed_ips")
        if speeds and not any(same_speed(speed, tape.speed_ips) for speed in speeds):
            problem = f"no step is for {tape.speed_ips:g} in/s: the machine has {_listed(speeds)} in/s"
            yield Finding(path, problem, "add it as [[machine.speeds]], or take this tape out", show_value=False)
        elif not tape.tones:
            problem, suggestion = "none: no step would use this tape", "write those of its sheet, or take this tape out"
            yield Finding(("tape", index, "tones"), problem, suggestion, show_value=False)
        elif all(tape_for(tapes, tape.speed_ips, tone.hz, tone.level_db) is not tape for tone in tape.tones):
            problem = f"an earlier [[tape]] for {tape.speed_ips:g} in/s has each of its tones: no step would use it"
            yield Finding(path, problem, "write the speed that it was made for, or take it out", show_value=False)


def _tapes_used(settings: Settings) -> Iterator[Finding]:
    """Find tapes that have tones of their own, none of which the plan takes; whoever writes the steps may leave one."""
    if len(settings.tapes) == 1 or settings.step or any(_tapes_together(settings)):
        return
    try:
        tapes = to_tapes(settings)
        threaded = Tapes.on(to_machine(settings), tapes)
        used = [threaded.of(step) for step in to_steps(settings)]
    except TapeError:
        return  # is found by itself
    for index, tape in enumerate(tapes):
        if any(one is tape for one in used):
            continue
        problem = f"no step would use this tape: other tapes have what is taken at {tape.speed_ips:g} in/s"
        suggestion = "take it out, or write every step as [[step]]"
        yield Finding(("tape", index, "tones"), problem, suggestion, show_value=False)


def _tapes_alone(settings: Settings) -> Iterator[Finding]:
    for _, check in _tape_checks(settings):
        yield from check(settings)


def _speed_of_each_step(settings: Settings) -> Iterator[Finding]:
    speeds = [tape.speed_ips for tape in settings.tapes]
    for index, step in enumerate(settings.step):
        if step.speed_ips is None and not all(same_speed(speed, speeds[0]) for speed in speeds):
            problem = f"missing; there are calibration tapes for {_listed(list(dict.fromkeys(speeds)))} in/s"
            yield Finding(("step", index, "speed_ips"), problem, "write for which of them it is", show_value=False)


def _recording(settings: Settings) -> Iterator[Finding]:
    if settings.audio.source == "recording" and settings.audio.recording is None:
        problem = 'missing; source = "recording" needs the path of a file, in quotes'
        yield Finding(("audio", "recording"), problem, show_value=False)


def _banks(settings: Settings) -> Iterator[Finding]:
    for index, pairs in enumerate(settings.audio.banks):
        earlier = next((number for number, other in enumerate(settings.audio.banks[:index]) if other == pairs), None)
        if earlier is not None:
            problem = f"the same bank as entry {earlier + 1}"
            yield Finding(("audio", "inputs", index), problem, "take one of them out", show_value=False)
    used = {number for pairs in settings.audio.banks for _, number in pairs}
    if len(used) > MAX_INPUTS:
        problem = f"the banks together use {len(used)} inputs; {MAX_INPUTS} are possible"
        yield Finding(("audio", "inputs"), problem, show_value=False)


def _step_targets(settings: Settings) -> Iterator[Finding]:
    for index, step in enumerate(settings.step):
        if step.target_vu is not None and step.user_db != 0.0:
            problem = "a correction does not go together with target_vu"
            yield Finding(("step", index, "user_db"), problem, "give one of them")


def _listen(settings: Settings) -> Iterator[Finding]:
    yield from _numeric("osc", settings.osc.listen)


def _page_listen(settings: Settings) -> Iterator[Finding]:
    yield from _numeric("page", settings.page.listen)


def _numeric(section: str, listen: str) -> Iterator[Finding]:
    try:
        ipaddress.ip_address(listen)
    except ValueError:
        suggestion = 'write "127.0.0.1"' if listen == "localhost" else ""
        problem = 'must be a numeric address: "127.0.0.1" = this computer only, "0.0.0.0" = the network'
        yield Finding((section, "listen"), problem, suggestion)


def _certificate(settings: Settings) -> Iterator[Finding]:
    if settings.page.certificate_key is not None and settings.page.certificate is None:
        yield Finding(("page", "certificate_key"), "does not go without certificate", show_value=False)


def _destinations(settings: Settings) -> Iterator[Finding]:
    seen: set[tuple[str, int]] = set()
    for index, text in enumerate(settings.osc.destinations):
        path = ("osc", "destinations", index)
        try:
            address = receiver(text)
        except ValueError:
            problem = 'must be host:port with a port from 1 to 65535, such as "192.168.1.20:9000"'
            yield Finding(path, problem)
            continue
        if address in seen:
            yield Finding(path, "this receiver stands there already")
        seen.add(address)
        if address[1] == settings.osc.port and address[0] in ("localhost", "127.0.0.1", "::1"):
            problem = "this is where commands are heard: what is sent must go to another port"
            yield Finding(path, problem)


def _groups(settings: Settings) -> Iterator[Finding]:
    listen, receivers = settings.osc.listen, settings.osc.destinations
    for index, text in enumerate(settings.osc.groups):
        path = ("osc", "groups", index)
        own = {f"{text}:{settings.osc.port}", f"[{text}]:{settings.osc.port}"}
        try:
            group = ipaddress.ip_address(text)
        except ValueError:
            group = None
        if group is None or not group.is_multicast:
            yield Finding(path, 'must be the numeric address of a multicast group, such as "239.255.77.1"')
        elif listen not in (("0.0.0.0", "::") if group.version == 4 else ("::",)):
            needed = "0.0.0.0" if group.version == 4 else "::"
            yield Finding(path, f'a group of IPv{group.version} is heard only with listen = "{needed}"')
        elif text in settings.osc.groups[:index]:
            yield Finding(path, "this group stands there already")
        elif own & set(receivers):
            yield Finding(path, "frames are sent there: a group that is heard needs another address or port")


def _listed(numbers: list[float]) -> str:
    return ", ".join(shown(number) if not number.is_integer() else f"{number:g}" for number in numbers)


_Check = tuple[tuple[Path, ...], Callable[[Settings], Iterator[Finding]]]

_CHECKS: Final[tuple[_Check, ...]] = (
    ((("machine", "speeds"),), _speeds),
    ((("step",), ("machine", "speeds")), _step_speeds),
    ((("machine",),), _machine),
    ((("tape",), ("machine", "speeds")), _tapes_together),
    ((("step",), ("tape",)), _speed_of_each_step),
    ((("step",), ("tape",), ("machine",)), _tapes_used),
    ((("audio", "inputs"),), _banks),
    ((("step",),), _step_targets),
    ((("osc", "listen"),), _listen),
    ((("osc", "destinations"), ("osc", "port")), _destinations),
    ((("osc", "groups"), ("osc", "listen"), ("osc", "destinations"), ("osc", "port")), _groups),
    ((("midi",),), lambda settings: midi_findings(settings.midi)),
    ((("midi",), ("machine", "speeds"), ("tape",)), _tone_speeds),
    ((("page", "listen"),), _page_listen),
    ((("page", "certificate"), ("page", "certificate_key")), _certificate),
)
"""Each check with the keys that it needs to be right."""

_SOURCE_CHECKS: Final = (((("audio", "source"), ("audio", "recording")), _recording),)
"""The same, where the source is to be opened."""
