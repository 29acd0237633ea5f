"""`trimbridge init`: answers in plain words in; a config in which every key is explained out."""

import os
import secrets
import shlex
from collections.abc import Callable, Sequence
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from bridge.cli.console import Console
from bridge.cli.level_meter import LevelMeter
from bridge.cli.patch_finder import find_inputs
from bridge.cli.questions import Questions, number, numbers, said_wrong, whole, words
from bridge.config.edit import replace_file
from bridge.config.template import render
from bridge.source.devices import InputDevice
from bridge.tape.equalization import TIME_CONSTANTS_US, Equalization
from bridge.tape.formats import FILE_NAME, TrackFormat, parse_track_formats
from bridge.tape.wavelength import same_speed

USUAL_CURVES: Final = {30.0: "iec2", 15.0: "iec1", 7.5: "iec1", 3.75: "iec2"}
"""What is offered first at each speed, a curve that is current by IEC 60094-1:1981."""

USUAL_FILE: Final = "in your data directory"


def init(path: Path, console: Console, devices: Sequence[InputDevice], levels: LevelMeter) -> int:
    """Ask what there is to know about a machine, and write a config.

    Parameters
    ----------
    path : Path
        The config to write. An existing one is only overwritten after a yes.
    console : Console
        Whoever answers; `bridge.cli.console.Nobody` takes every default.
    devices : sequence of InputDevice
        The audio interfaces, as `bridge.source.devices.list_interfaces` finds them; may be empty.
    levels : callable
        `bridge.cli.level_meter.live_levels`, or what stands for it.

    Returns
    -------
    int
        Exit status: 0 written, 1 not. On Ctrl-C, or when the answers end, nothing is written.
    """
    asked = Questions(path, console)
    try:
        # Asked before all else: whoever has answered twenty questions must not be told only then.
        if obstacle := _obstacle(path):
            console.say(f"{path}: cannot be written: {obstacle}")
            return 1
        if path.exists() and not asked.yes(f"{path} exists. Overwrite it?", False):
            console.say(f"{path} is left as it is; name another file to write a new one.")
            return 1
        console.say("Enter takes what stands in [brackets]; Ctrl-C stops, and then nothing is written.")
        _machine(asked)
        _tapes(asked)
        _audio(asked, devices, levels)
        _page(asked)
        _osc(asked)
        _log(asked)
        opening = f"The config of {asked.values['machine']['name']}, written by `trimbridge init`."
        replace_file(path, render(asked.values, opening).encode())
    except (KeyboardInterrupt, EOFError):
        console.say("\nStopped; nothing was written.")
        return 1
    except OSError as wrong:
        console.say(f"{path}: cannot be written: {wrong.strerror or wrong}; name a file in another folder")
        return 1
    name = shlex.quote(str(path))
    console.say(f"\nWritten: {path}. Every key is explained in it.")
    console.say(f"Next: `trimbridge check {name}`, then `trimbridge run {name}`.")
    return 0


def _obstacle(path: Path) -> str:
    """Return why no file can be written at a path, as far as that can be known before, and what would be right."""
    folder = path.resolve().parent
    if path.is_dir():
        return "a folder; name a file in it"
    if not path.parent.is_dir():
        wrong = f"{path.parent} is no folder" if path.parent.exists() else f"the folder {path.parent} is missing"
        return f"{wrong}; name a file in a folder that is there"
    if not os.access(folder, os.W_OK | os.X_OK):
        return f"you may write nothing into the folder {folder}; name a file in another folder"
    return ""


def _machine(asked: Questions) -> None:
    asked.console.say("\nThe tape recorder")
    asked.ask(("machine", "name"), "What do you call it", "My recorder")
    tracks = asked.ask(("machine", "tracks"), "How many tracks has it", "8", whole)
    text = files("bridge.tape").joinpath(FILE_NAME).read_text(encoding="utf-8")
    formats = [form for form in parse_track_formats(text).values() if form.tracks == tracks]
    choices = [*map(_described, formats), "another, or not known"]
    chosen = asked.choose("Which tape and tracks", choices, 0 if len(formats) == 1 else len(formats))
    if chosen < len(formats):
        _take_format(asked, formats[chosen])
    level = "Operating level: which fluxivity shall read 0 VU, in nWb/m"
    asked.ask(("machine", "operating_level_nwb_per_m"), level, "320", number)
    asked.ask(("machine", "speeds"), "Its speeds in in/s, with spaces between", "15", _flat_speeds)
    for index in range(len(asked.values["machine"]["speeds"])):
        asked.until_right(partial(_set_curve, asked, index))


def _set_curve(asked: Questions, index: int) -> None:
    speeds = list(asked.values["machine"]["speeds"])
    ips = speeds[index]["ips"]
    speeds[index] = {"ips": ips, "equalization": _equalization(asked, f"Equalization at {ips:g} in/s", ips, None)}
    asked.decide(("machine", "speeds"), speeds)


def _flat_speeds(text: str) -> list[dict[str, Any]]:
    """Return speeds as they are before their equalization is known."""
    return [{"ips": ips, "equalization": {"hf_us": 0}} for ips in numbers(text)]


def _described(form: TrackFormat) -> str:
    pitch = f" at a pitch of {form.track_pitch.mm:g} mm" if form.track_pitch else ""
    return f"{form.name}: tracks of {form.track_width.mm:g} mm{pitch}"


def _take_format(asked: Questions, form: TrackFormat) -> None:
    asked.decide(("machine", "tape_width_mm"), form.tape_width.mm)
    asked.decide(("machine", "track_width_mm"), form.track_width.mm)
    if form.track_pitch:
        asked.decide(("machine", "track_pitch_mm"), form.track_pitch.mm)


def _equalization(asked: Questions, question: str, ips: float, default: object) -> object:
    """Return one of the curves that there are at a speed, or time constants."""
    curves = [curve for curve, speed_ips in TIME_CONSTANTS_US if same_speed(speed_ips, ips)]
    if curves:
        usual = next((curve for known, curve in USUAL_CURVES.items() if same_speed(known, ips)), "")
        wanted = default if default in curves else usual
        choices = [f"{curve}: {_constants_of(curve, ips)}" for curve in curves]
        chosen = asked.choose(question, [*choices, "other time constants"], [*curves, wanted].index(wanted))
        if chosen < len(curves):
            return curves[chosen]
    return asked.until_right(lambda: _constants(asked.console, question))


def _constants_of(curve: str, ips: float) -> str:
    """Return the time constants as a label has them."""
    at_speed = Equalization.named(curve, ips)
    return f"{at_speed.lf_us:g} and {at_speed.hf_us:g} µs" if at_speed.lf_us else f"{at_speed.hf_us:g} µs"


def _constants(console: Console, question: str) -> dict[str, float]:
    wanted = "time constant of the high frequencies in µs, and that of the low ones; 0 = none"
    given = numbers(console.ask(f"{question}: {wanted}", "35 0"))
    if len(given) != 2:
        raise ValueError(said_wrong(" ".join(map("{:g}".format, given)), "must be two numbers, such as 35 0"))
    Equalization.free(*given)
    return {"hf_us": given[0], "lf_us": given[1]}


def _tapes(asked: Questions) -> None:
    asked.console.say("\nThe calibration tape: what its label says")
    speeds = asked.values["machine"]["speeds"]

    def set_speed() -> None:
        asked.decide(("tape", "equalization"), {"hf_us": 0})
        said = asked.console.ask("Its speed in in/s", f"{speeds[0]['ips']:g}")
        ips = asked.decide(("tape", "speed_ips"), number(said))
        curve = _equalization(asked, "Its equalization", ips, speeds[0]["equalization"])
        asked.decide(("tape", "equalization"), curve)

    _tape(asked, "House tape", set_speed)
    first_ips = asked.values["tape"]["speed_ips"]
    # A tape for a speed that the machine lacks serves its first, and no other goes beside it.
    if not any(same_speed(speed["ips"], first_ips) for speed in speeds):
        return
    for speed in speeds:
        if not same_speed(speed["ips"], first_ips):
            _tape_for(asked, speed["ips"], speed["equalization"])


def _tape_for(asked: Questions, ips: float, default: object) -> None:
    """Ask about the tape for another speed, if there is one."""
    if not asked.yes(f"Have you a calibration tape for {ips:g} in/s, too?", False):
        return
    asked.console.say(f"\nThe calibration tape for {ips:g} in/s: what its label says")
    asked.another("tape", {"speed_ips": ips, "equalization": {"hf_us": 0}})

    def set_curve() -> None:
        asked.decide(("tape", "equalization"), _equalization(asked, "Its equalization", ips, default))

    _tape(asked, f"House tape {ips:g} in/s", set_curve)


def _tape(asked: Questions, name: str, set_curve: Callable[[], None]) -> None:
    asked.ask(("tape", "name"), "What do you call it", name)
    asked.ask(("tape", "fluxivity_nwb_per_m"), "Its fluxivity in nWb/m", "320", number)
    german = asked.yes("Is that on the old German scale, DIN 45 520?", False)
    asked.decide(("tape", "scale"), "german" if german else "aes7")
    asked.until_right(set_curve)
    full = asked.decide(("tape", "full_track"), asked.yes("Was it recorded over its whole width?", True))
    if full:
        lowered = asked.yes("Were its low tones lowered to make up for fringing?", False)
        asked.decide(("tape", "fringing_compensated"), lowered)
    question = "Its tones in their order, in Hz; with a level such as 10000:-10 where that is not 0 dB"
    asked.ask(("tape", "tones"), question, "1000 10000 100", _tones)


def _audio(asked: Questions, devices: Sequence[InputDevice], levels: LevelMeter) -> None:
    asked.console.say("\nThe audio interface")
    if not devices:
        asked.console.say(
            "None was found: this config is for practice, with the simulated recorder. Connect one and start again for"
            " your own."
        )
    choices = [*map(str, devices), "none: the simulated recorder, for practice"]
    chosen = asked.choose("Which interface", choices) if devices else 0
    device = devices[chosen] if chosen < len(devices) else None
    if device:
        asked.decide(("audio", "device"), device.name)
        asked.decide(("audio", "host_api"), device.host_api)
    else:
        asked.decide(("audio", "source"), "simulated")
    usual_hz = min(max(device.sample_rate_hz, 44_100), 192_000) if device else 48_000
    rate_hz = asked.ask(("audio", "sample_rate_hz"), "Sample rate in Hz", str(usual_hz), whole)
    question = "Reference level: which level of a sine, in dBFS, shall read 0 VU"
    asked.ask(("audio", "reference_dbfs"), question, "-18", number)
    if device:
        _patch(asked, device, rate_hz, levels)


def _patch(asked: Questions, device: InputDevice, rate_hz: int, levels: LevelMeter) -> None:
    tracks, inputs = asked.values["machine"]["tracks"], device.channels
    firsts = range(1, tracks + 1, inputs)
    if len(firsts) > 1:
        asked.console.say(f"{tracks} tracks and {inputs} inputs make {len(firsts)} banks: you patch each in its turn.")
    here = min(tracks, inputs)
    if asked.yes(f"Is track 1 on input 1, and so on up to {here}?", True):
        banks: list[dict[str, Any]] = [
            {_range(first, min(first + inputs - 1, tracks)): _range(1, min(inputs, tracks - first + 1))}
            for first in firsts
        ]
    else:
        try:
            with levels(device, rate_hz) as now:
                found = find_inputs(asked, here, now)
        except OSError as wrong:
            asked.console.say(f"The inputs cannot be heard: {wrong}")
            asked.console.say("Write the patching into the config by hand: [audio] inputs.")
            return
        banks = [{str(first + k): found[k] for k in range(min(here, tracks - first + 1))} for first in firsts]
    asked.decide(("audio", "inputs"), banks[0] if len(banks) == 1 else banks)


def _page(asked: Questions) -> None:
    asked.console.say("\nThe page beside the machine")
    if asked.yes("Shall tablets and phones in your network open it?", False):
        asked.decide(("page", "listen"), "0.0.0.0")
        asked.console.say("`trimbridge run` names its address, and the code that pairs a screen which shall command.")


def _osc(asked: Questions) -> None:
    asked.console.say("\nOSC, for other programs and controllers")
    asked.ask(("osc", "port"), "UDP port that hears commands", "9710", whole)
    if asked.yes("Shall other computers command by it?", False):
        asked.decide(("osc", "listen"), "0.0.0.0")
        code = f"{secrets.randbelow(1_000_000):06}"
        asked.ask(("osc", "pairing_code"), "Pairing code that they must show", code)
    question = "Fixed receivers of the readings, each as host:port; Enter = none"
    asked.ask(("osc", "destinations"), question, "", words)


def _log(asked: Questions) -> None:
    asked.console.say("\nThe log of trims")

    def set_file() -> None:
        said = asked.console.ask("File", USUAL_FILE)
        if said != USUAL_FILE:
            asked.decide(("log", "file"), said)

    asked.until_right(set_file)


def _tones(text: str) -> list[dict[str, float]]:
    tones = [word.partition(":") for word in words(text)]
    if not tones:
        raise ValueError(said_wrong(text, "must be at least one tone, such as 1000"))
    return [{"hz": number(hz)} | ({"level_db": number(level_db)} if level_db else {}) for hz, _, level_db in tones]


def _range(first: int, last: int) -> str:
    return f"{first}-{last}" if last > first else f"{first}"
