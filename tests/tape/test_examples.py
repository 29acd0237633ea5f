"""The examples that are shipped: each loads, is invented, has the published dimensions, and makes targets."""

import tomllib
from pathlib import Path

import pytest

import bridge.tape
from bridge.config.convert import to_machine, to_tapes
from bridge.config.load import load
from bridge.procedure.plan import generate_steps
from bridge.tape.calibration_tape import CalibrationTape, Tone
from bridge.tape.equalization import Equalization
from bridge.tape.formats import FILE_NAME, parse_track_formats
from bridge.tape.machine import Machine, Speed

CONFIGS = Path(__file__).parents[2] / "configs"
MACHINES = sorted((CONFIGS / "machines").glob("*.toml"))
TAPES = sorted((CONFIGS / "tapes").glob("*.toml"))
FORMATS = parse_track_formats((Path(bridge.tape.__file__).parent / FILE_NAME).read_text(encoding="utf-8"))


def equalization(value, ips):
    return Equalization.free(**value) if isinstance(value, dict) else Equalization.named(value, ips)


def only_table(file, name):
    tables = tomllib.loads(file.read_text(encoding="utf-8"))
    assert list(tables) == [name]
    return tables[name]


def load_machine(file):
    table = only_table(file, "machine")
    speeds = tuple(
        Speed(speed["ips"], equalization(speed["equalization"], speed["ips"])) for speed in table.pop("speeds")
    )
    return Machine(**table, speeds=speeds)


def load_tape(file):
    table = only_table(file, "tape")
    tones = tuple(Tone(**tone) for tone in table.pop("tones"))
    curve = equalization(table.pop("equalization"), table["speed_ips"])
    return CalibrationTape(**table, equalization=curve, tones=tones)


@pytest.mark.parametrize("file", MACHINES, ids=lambda file: file.stem)
def test_a_config_takes_a_machine_in(file, tmp_path):
    config = tmp_path / "config.toml"
    config.write_text(f"[machine]\nuse = '{file}'\n", encoding="utf-8")
    assert to_machine(load(config)) == load_machine(file)


@pytest.mark.parametrize("file", TAPES, ids=lambda file: file.stem)
def test_a_config_takes_a_tape_in(file, tmp_path):
    config = tmp_path / "config.toml"
    config.write_text(f"[machine]\nname = 'house'\ntracks = 2\n[tape]\nuse = '{file}'\n", encoding="utf-8")
    assert to_tapes(load(config)) == (load_tape(file),)


@pytest.mark.parametrize(
    ("stem", "format_name"),
    [
        ("quarter-inch-two-track", "1/4 in 2-track"),
        ("half-inch-four-track", "1/2 in 4-track"),
        ("one-inch-eight-track", "1 in 8-track"),
        ("two-inch-sixteen-track", "2 in 16-track"),
        ("two-inch-twenty-four-track", "2 in 24-track"),
    ],
)
def test_a_machine_has_the_dimensions_of_its_format(stem, format_name):
    loaded, published = load_machine(CONFIGS / "machines" / f"{stem}.toml"), FORMATS[format_name]
    assert loaded.tracks == published.tracks
    assert loaded.tape_width_mm == published.tape_width.mm
    assert loaded.track_width_mm == published.track_width.mm
    assert loaded.track_pitch_mm == published.track_pitch.mm


def test_the_fluxivities_in_use_are_all_there_at_several_speeds():
    tapes = [load_tape(file) for file in TAPES]
    assert {tape.fluxivity_nwb_per_m for tape in tapes} == {185, 200, 250, 320, 355, 370, 510}
    assert {tape.speed_ips for tape in tapes} == {3.75, 7.5, 15, 30}
    assert {tape.scale for tape in tapes} == {"aes7", "german"}
    assert {tape.full_track for tape in tapes} == {tape.fringing_compensated for tape in tapes} == {True, False}


@pytest.mark.parametrize("file", TAPES, ids=lambda file: file.stem)
def test_a_tape_is_what_its_file_is_called(file):
    loaded = load_tape(file)
    fluxivity, *_, speed, curve = file.stem.removesuffix("-compensated").split("-")
    assert f"{loaded.fluxivity_nwb_per_m:g}" == fluxivity
    assert f"{loaded.speed_ips:g}ips" == speed
    assert loaded.equalization.name == curve
    assert loaded.tones_heard(loaded.reference_hz, loaded.speed_ips)[0].level_db == 0


@pytest.mark.parametrize("file", [*MACHINES, *TAPES], ids=lambda file: file.stem)
def test_every_key_has_a_comment_and_the_file_says_that_it_is_invented(file):
    lines = file.read_text(encoding="utf-8").splitlines()
    assert "Invented" in lines[1]
    assert f'use = "{file.parent.name}/{file.name}"' in "\n".join(lines)
    explained = set()
    block_has_comment = False
    for line in lines:
        if line.startswith("#"):
            block_has_comment = True
        elif "=" in line and not line.startswith(" "):
            key = line.split("=")[0].strip()
            assert block_has_comment or key in explained, key
            explained.add(key)
        else:
            block_has_comment = False


@pytest.mark.parametrize("machine_file", MACHINES, ids=lambda file: file.stem)
@pytest.mark.parametrize("tape_file", TAPES, ids=lambda file: file.stem)
def test_every_tape_makes_a_plan_on_every_machine(tape_file, machine_file):
    steps = generate_steps(load_machine(machine_file), load_tape(tape_file))
    assert steps[0].adjustment == "repro level"
    assert all(-30 < step.target_vu < 15 for step in steps)
