"""What length and wavelength make of a tape: the command `tape`.

How long a reel runs and what is left of it, where each tone stands, and what dirt, coating, gap and a crooked head cost
at each tone. It informs whoever stands before the machine; no target comes from it.
"""

import json
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import accumulate
from pathlib import Path
from typing import Final

from bridge.cli.failures import WrongUseError
from bridge.cli.live import clock
from bridge.cli.tables import show, table
from bridge.config.convert import to_machine, to_tapes
from bridge.config.load import load
from bridge.tape.calibration_tape import CalibrationTape
from bridge.tape.errors import TapeError
from bridge.tape.losses import (
    ARCMINUTE_RAD,
    azimuth_angle_rad,
    azimuth_loss_db,
    gap_loss_db,
    spacing_loss_db,
    thickness_loss_db,
    track_delay_s,
    track_phase_deg,
)
from bridge.tape.machine import Machine
from bridge.tape.running_time import (
    length_m,
    metres_from_feet,
    pack_diameter_mm,
    pack_length_m,
    running_time_s,
    time_left_s,
)
from bridge.tape.wavelength import wavelength_um
from bridge.units import UNKNOWN, signed

ANNOUNCED: Final = "counted from the first tone; announcements and pauses between the tones come on top"


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for on the command line; None where it was not."""

    feet: float | None = None
    metres: float | None = None
    pack_mm: float | None = None
    hub_mm: float | None = None
    thickness_um: float | None = None
    played_min: float = 0.0
    spacing_um: float = 1.0
    coating_um: float = 10.0
    arcminutes: float = 1.0
    delay_us: float | None = None


@dataclass(frozen=True, slots=True)
class _Place:
    speed_ips: float
    hz: float
    begins_s: float
    ends_s: float
    begins_m: float


@dataclass(frozen=True, slots=True)
class _Loss:
    """What one tone loses at one speed; None where the config does not tell what it takes to know."""

    hz: float
    speed_ips: float
    wavelength_um: float
    gap_db: float | None
    spacing_db: float
    coating_db: float
    azimuth_db: float | None
    outer_tracks_deg: float | None


@dataclass(frozen=True, slots=True)
class _Run:
    speed_ips: float
    seconds: float
    left_s: float


def show_tape(config: Path, asked: Asked, *, as_json: bool) -> None:
    """Print what a config's machine and tape come to."""
    settings = load(config, source_needed=False)
    machine, tapes = to_machine(settings), to_tapes(settings)
    try:
        places = [place for tape in tapes for place in _places(tape)]
        losses = [_loss(machine, hz, ips, asked) for ips in _speeds(machine, tapes) for hz in _hz(tapes)]
        reel_m = _reel_m(asked)
        runs = [] if reel_m is None else [_run(reel_m, ips, asked) for ips in _speeds(machine, tapes)]
        # As long a time is another angle at each speed.
        delays = () if asked.delay_us is None else ((tape, asked.delay_us) for tape in tapes)
        angles = {tape.speed_ips: _arcminutes(machine, tape, delay_us) for tape, delay_us in delays}
        pack_mm = None
        if reel_m is not None and asked.hub_mm is not None and asked.thickness_um is not None:
            pack_mm = pack_diameter_mm(reel_m, asked.hub_mm, asked.thickness_um)
    except TapeError as error:
        raise WrongUseError(str(error)) from None
    if as_json:
        document = {
            "tones": [asdict(place) for place in places],
            "losses": [asdict(loss) for loss in losses],
            "length_m": reel_m,
            "pack_mm": pack_mm,
            "running": [asdict(run) for run in runs],
            "azimuth_arcminutes": next(iter(angles.values()), None),
            "azimuth_at_ips": next(iter(angles), None),
        }
        json.dump(document, sys.stdout, ensure_ascii=False, indent=1)
        print()
        return
    for tape in tapes:
        _print_places(tape, len(tapes) > 1)
    print(f"{ANNOUNCED}\n")
    _print_losses(losses, asked)
    if reel_m is not None:
        _print_runs(reel_m, pack_mm, runs, asked)
    for speed_ips, angle in angles.items():
        at = f" at {speed_ips:g} in/s" if len(angles) > 1 else ""
        print(
            f"\nThe outer tracks are {asked.delay_us:g} µs apart{at}:"
            f" the gaps are {signed(angle)} minutes of arc apart."
        )


def _speeds(machine: Machine, tapes: Sequence[CalibrationTape]) -> list[float]:
    return [speed.ips for speed in machine.speeds] or list(dict.fromkeys(tape.speed_ips for tape in tapes))


def _hz(tapes: Sequence[CalibrationTape]) -> list[float]:
    return sorted({tone.hz for tape in tapes for tone in tape.tones})


def _places(tape: CalibrationTape) -> list[_Place]:
    ends_s = list(accumulate(tone.seconds for tone in tape.tones))
    return [
        _Place(tape.speed_ips, tone.hz, end_s - tone.seconds, end_s, length_m(end_s - tone.seconds, tape.speed_ips))
        for tone, end_s in zip(tape.tones, ends_s, strict=True)
    ]


def _loss(machine: Machine, hz: float, speed_ips: float, asked: Asked) -> _Loss:
    wave_um = wavelength_um(hz, speed_ips)
    angle_rad = asked.arcminutes * ARCMINUTE_RAD
    gap_um, width_mm, spacing_mm = machine.repro_gap_um, machine.track_width_mm, _outer_mm(machine)
    return _Loss(
        hz,
        speed_ips,
        wave_um,
        None if gap_um is None else gap_loss_db(wave_um, gap_um),
        spacing_loss_db(wave_um, asked.spacing_um),
        thickness_loss_db(wave_um, asked.coating_um),
        None if width_mm is None else azimuth_loss_db(wave_um, width_mm, angle_rad),
        None if spacing_mm is None else track_phase_deg(hz, track_delay_s(spacing_mm, angle_rad, speed_ips)),
    )


def _outer_mm(machine: Machine) -> float | None:
    """Return how far apart the centres of the outer tracks are; None where that is not known."""
    if machine.track_pitch_mm is None or machine.tracks < 2:
        return None
    return (machine.tracks - 1) * machine.track_pitch_mm


def _reel_m(asked: Asked) -> float | None:
    given = [asked.feet is not None, asked.metres is not None, asked.pack_mm is not None]
    if sum(given) > 1:
        raise WrongUseError("--feet, --metres and --pack-mm each say how much tape there is: choose one")
    if asked.feet is not None:
        return metres_from_feet(asked.feet)
    if asked.pack_mm is None:
        return asked.metres
    if asked.hub_mm is None or asked.thickness_um is None:
        raise WrongUseError("--pack-mm needs --hub-mm and --thickness-um, the whole tape's, from its data sheet")
    return pack_length_m(asked.pack_mm, asked.hub_mm, asked.thickness_um)


def _run(reel_m: float, speed_ips: float, asked: Asked) -> _Run:
    left_s = time_left_s(reel_m, 60.0 * asked.played_min, speed_ips)
    return _Run(speed_ips, running_time_s(reel_m, speed_ips), left_s)


def _arcminutes(machine: Machine, tape: CalibrationTape, delay_us: float) -> float:
    spacing_mm = _outer_mm(machine)
    if spacing_mm is None:
        raise WrongUseError("--delay-us needs track_pitch_mm in [machine], and two tracks or more")
    return azimuth_angle_rad(spacing_mm, 1e-6 * delay_us, tape.speed_ips) / ARCMINUTE_RAD


def _print_places(tape: CalibrationTape, is_named: bool) -> None:
    of_tape = f" of {tape.name}" if is_named and tape.name else ""
    made = table(">Hz", ">begins", ">ends", ">metres", title=f"The tones{of_tape} at {tape.speed_ips:g} in/s")
    rows = [(f"{one.hz:g}", _clock(one.begins_s), _clock(one.ends_s), f"{one.begins_m:.1f}") for one in _places(tape)]
    show(made, rows)


def _print_losses(losses: list[_Loss], asked: Asked) -> None:
    made = table(
        ">Hz", ">in/s", ">wave µm", ">gap", f">spacing {asked.spacing_um:g} µm", f">coating {asked.coating_um:g} µm",
        f">azimuth {asked.arcminutes:g}′", f">outer tracks at {asked.arcminutes:g}′",
        title="What is lost in reproducing, dB",
    )  # fmt: skip
    for one in losses:
        phase = UNKNOWN if one.outer_tracks_deg is None else f"{one.outer_tracks_deg:.0f}°"
        levels = map(_lost, (one.gap_db, one.spacing_db, one.coating_db, one.azimuth_db))
        made.add_row(f"{one.hz:g}", f"{one.speed_ips:g}", f"{one.wavelength_um:.1f}", *levels, phase)
    show(made)
    print(f"{UNKNOWN} = [machine] does not tell repro_gap_um, track_width_mm or track_pitch_mm")


def _lost(level_db: float | None) -> str:
    return UNKNOWN if level_db is None else f"{level_db + 0.0:.2f}".replace("-0.00", "0.00").replace("-", "−")


def _print_runs(reel_m: float, pack_mm: float | None, runs: list[_Run], asked: Asked) -> None:
    pack = "" if pack_mm is None else f", a pack of {pack_mm:.0f} mm"
    left = [f">left after {asked.played_min:g} min"] if asked.played_min else []
    print(f"\n{reel_m:.1f} m of tape{pack}")
    made = table(">in/s", ">runs", *left)
    for one in runs:
        made.add_row(f"{one.speed_ips:g}", _clock(one.seconds), *([_clock(one.left_s)] if left else []))
    show(made)


def _clock(time_s: float) -> str:
    return clock(round(time_s))
