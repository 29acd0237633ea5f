"""What a good config means: patching, files of sections, defaults, and what the stages are made of."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.config.convert import to_banks, to_machine, to_steps, to_tapes
from bridge.config.faults import ConfigFaults
from bridge.config.load import load, loads
from bridge.config.receivers import receiver
from bridge.config.settings import Settings

MACHINE = '[machine]\nname = "Harbour room"\ntracks = 24\n'
HERE = Path("studio.toml")


def settings(text: str, machine: str = MACHINE) -> Settings:
    return loads(machine + text, HERE)


def test_the_machine_alone_is_a_config() -> None:
    loaded = settings("")
    assert loaded.audio.source == "device"
    assert loaded.osc.port == 9710
    (bank,) = to_banks(loaded)
    assert (bank.number, bank.tracks, bank.inputs) == (1, tuple(range(1, 25)), tuple(range(1, 25)))


def test_whole_numbers_are_taken_where_decimals_may_stand() -> None:
    loaded = settings("[tape]\nspeed_ips = 15\nfluxivity_nwb_per_m = 250\n[audio]\nreference_dbfs = -18\n")
    assert (loaded.tapes[0].speed_ips, loaded.tapes[0].fluxivity_nwb_per_m, loaded.audio.reference_dbfs) == (
        15.0,
        250.0,
        -18.0,
    )
    assert isinstance(loaded.tapes[0].speed_ips, float)


@pytest.mark.parametrize(
    ("written", "tracks", "inputs"),
    [
        ('{ "1-8" = "1-8" }', range(1, 9), range(1, 9)),
        ('{ "1-8" = "9-16" }', range(1, 9), range(9, 17)),
        ("{ 1 = 5, 2 = 7 }", (1, 2), (5, 7)),
        ('{ "2" = "7", 1 = 5 }', (1, 2), (5, 7)),
        ('{ " 1 - 3 " = "2-4", 24 = 1 }', (1, 2, 3, 24), (2, 3, 4, 1)),
        ("{ 1 = 1000 }", (1,), (1000,)),
    ],
)
def test_ways_to_write_the_patching(written: str, tracks: Any, inputs: Any) -> None:
    (bank,) = to_banks(settings(f"[audio]\ninputs = {written}\n"))
    assert (bank.tracks, bank.inputs) == (tuple(tracks), tuple(inputs))


def test_a_list_of_tables_makes_banks() -> None:
    banks = to_banks(settings('[audio]\ninputs = [{ "1-8" = "1-8" }, { "9-16" = "1-8" }, { "17-24" = "1-8" }]\n'))
    assert [bank.number for bank in banks] == [1, 2, 3]
    assert [bank.tracks[0] for bank in banks] == [1, 9, 17]
    assert {bank.inputs for bank in banks} == {tuple(range(1, 9))}


def test_banks_may_be_sections() -> None:
    banks = to_banks(settings('[[audio.inputs]]\n"1-2" = "1-2"\n[[audio.inputs]]\n3 = 1\n'))
    assert [bank.tracks for bank in banks] == [(1, 2), (3,)]


@given(st.permutations(range(1, 25)), st.permutations(range(1, 65)))
def test_any_patching_of_singles(tracks: list[int], inputs: list[int]) -> None:
    pairs = dict(zip(tracks, inputs, strict=False))
    table = ", ".join(f"{track} = {at}" for track, at in pairs.items())
    (bank,) = to_banks(settings(f"[audio]\ninputs = {{ {table} }}\n"))
    assert dict(zip(bank.tracks, bank.inputs, strict=True)) == pairs
    assert list(bank.tracks) == sorted(bank.tracks)


def test_offsets() -> None:
    loaded = settings('[audio]\noffsets_db = { 3 = 0.12, "1" = -1 }\n')
    assert loaded.audio.offsets_db == ((1, -1.0), (3, 0.12))


def test_files_are_seen_from_the_folder_of_the_config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    file = tmp_path / "studio.toml"
    file.write_text(
        MACHINE + '[audio]\nsource = "recording"\nrecording = "sound/capture.wav"\n[log]\nfile = "~/trims.db"\n'
    )
    loaded = load(file)
    assert loaded.audio.recording == tmp_path / "sound" / "capture.wav"
    assert loaded.log.file == tmp_path / "home" / "trims.db"


def test_notepad_marks_its_files(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    file.write_bytes(b"\xef\xbb\xbf" + MACHINE.replace("\n", "\r\n").encode())
    assert load(file).machine.tracks == 24


def test_receivers() -> None:
    written = ("127.0.0.1:9000", "tablet.local:9001", "[::1]:65535")
    loaded = settings(f"[osc]\ndestinations = {list(written)}\n")
    assert loaded.osc.destinations == written
    assert [receiver(text) for text in written] == [("127.0.0.1", 9000), ("tablet.local", 9001), ("::1", 65_535)]


def test_machine_and_tape() -> None:
    """Time constants: IEC 60094-1:1981, clause 15.1, as listed in IASA TC-04, 5.4.10, Table 1."""
    loaded = settings(
        """
operating_level_nwb_per_m = 250
operating_level_scale = "german"
tape_width_mm = 50.8
track_width_mm = 0.94
track_pitch_mm = 2.11
repro_gap_um = 4
sync_gap_um = 7.5
fringing = { speed_ips = 15, points = [[50, 3.1], [100, 1.8]] }
[[machine.speeds]]
ips = 15
equalization = "nab"
[[machine.speeds]]
ips = 30
equalization = { hf_us = 17.5 }
[tape]
name = "House"
fluxivity_nwb_per_m = 185
scale = "german"
reference_hz = 700
speed_ips = 7.5
equalization = "iec1"
full_track = false
track_width_mm = 2.08
fluxivity_uncertainty_db = 0.1
response_uncertainty_db = 0.2
tones = [{ hz = 700 }, { hz = 10000, level_db = -10, seconds = 30 }]
"""
    )
    machine, (tape,) = to_machine(loaded), to_tapes(loaded)
    assert (machine.tracks, machine.operating_level_nwb_per_m, machine.operating_level_scale) == (24, 250, "german")
    assert (machine.tape_width_mm, machine.track_width_mm, machine.track_pitch_mm) == (50.8, 0.94, 2.11)
    assert (machine.repro_gap_um, machine.sync_gap_um) == (4, 7.5)
    assert machine.fringing is not None
    assert machine.fringing.points == ((50, 3.1), (100, 1.8))
    constants = [(speed.ips, speed.equalization.hf_us, speed.equalization.lf_us) for speed in machine.speeds]
    assert constants == [(15, 50, 3180), (30, 17.5, 0)]
    assert (tape.name, tape.fluxivity_nwb_per_m, tape.scale, tape.reference_hz) == ("House", 185, "german", 700)
    assert (tape.equalization.hf_us, tape.equalization.lf_us) == (70, 0)
    assert (tape.full_track, tape.track_width_mm) == (False, 2.08)
    assert (tape.fluxivity_uncertainty_db, tape.response_uncertainty_db) == (0.1, 0.2)
    assert [(tone.hz, tone.level_db, tone.seconds) for tone in tape.tones] == [(700, 0, 60), (10_000, -10, 30)]


STEPS = """
[[step]]
adjustment = "repro level"
tone_hz = 1000
tolerance_db = 0.1
[[step]]
adjustment = "repro high"
tone_hz = 10000
user_db = 0.5
[[step]]
adjustment = "sync level"
tone_hz = 1000
target_vu = -3
"""


def test_steps_have_the_targets_of_machine_and_tape() -> None:
    """A tape of 185 nWb/m on a house level of 320 reads 20 lg(185/320) = -4.76 VU."""
    steps = to_steps(settings("[tape]\nfluxivity_nwb_per_m = 185\n" + STEPS))
    assert [step.adjustment for step in steps] == ["repro level", "repro high", "sync level"]
    assert steps[0].target_vu == pytest.approx(-4.76, abs=0.005)
    assert steps[1].target_vu == pytest.approx(-4.76 + 0.5, abs=0.005)
    assert steps[2].target_vu == -3.0
    assert [step.tolerance_db for step in steps] == [0.1, 0.25, 0.25]
    assert {step.speed_ips for step in steps} == {15.0}


def test_without_steps_they_are_those_of_good_practice() -> None:
    steps = to_steps(settings(""))
    assert steps[0].adjustment == "repro level"
    assert len(steps) > 4


def test_a_section_may_stand_in_a_file_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "tapes").mkdir()
    (tmp_path / "tapes" / "house.toml").write_text(
        '[tape]\nname = "House"\nfluxivity_nwb_per_m = 250\nspeed_ips = 15\nequalization = "nab"\n'
    )
    (tmp_path / "machine.toml").write_text(
        MACHINE
        + '[[machine.speeds]]\nips = 15\nequalization = "nab"\n[[machine.speeds]]\nips = 30\nequalization = "aes"\n'
    )
    file = tmp_path / "studio.toml"
    file.write_text(
        '[machine]\nuse = "machine.toml"\nname = "The other"\n'
        '[tape]\nuse = "tapes/house.toml"\nfluxivity_nwb_per_m = 320\n'
    )
    loaded = load(file)
    assert (loaded.machine.name, loaded.machine.tracks) == ("The other", 24)
    assert [speed.ips for speed in loaded.machine.speeds] == [15, 30]
    assert (loaded.tapes[0].name, loaded.tapes[0].fluxivity_nwb_per_m, loaded.tapes[0].equalization) == (
        "House",
        320,
        "nab",
    )


@pytest.mark.parametrize(
    ("use", "house", "message"),
    [
        ('"none.toml"', "", '{file}:5: [tape] use = "none.toml": no such file: {folder}/none.toml'),
        ("3", "", "{file}:5: [tape] use = 3: must be the path of a file, in quotes"),
        ('"."', "", '{file}:5: [tape] use = ".": a folder, not a config file: {folder}'),
        ('"house.toml"', "fluxivity = 3\n", '{file}:5: [tape] use = "house.toml": that file has no section [tape]'),
        (
            '"house.toml"',
            '[tape]\nuse = "x.toml"\n',
            '{file}:5: [tape] use = "house.toml": that file itself has a key use; name the last file of the chain',
        ),
        ('"house.toml"', "[tape]\n[osc]\n", "{house}:2: [osc]: only [tape] is taken from this file"),
        ('"house.toml"', "[tape]\nspeed_ips 3\n", None),
        (
            '"house.toml"',
            "[tape]\n\nspeed_ips = 90\n",
            "{house}:3: [tape] speed_ips = 90: must be a number above 0, up to 60 in/s",
        ),
        (
            '"house.toml"',
            "[tape]\nspedd_ips = 15\n",
            "{house}:2: [tape] spedd_ips: unknown key; did you mean speed_ips?",
        ),
    ],
)
def test_faults_in_a_file_of_its_own(tmp_path: Path, use: str, house: str, message: str | None) -> None:
    file, house_file = tmp_path / "studio.toml", tmp_path / "house.toml"
    house_file.write_text(house)
    file.write_text(f"{MACHINE}[tape]\nuse = {use}\n")
    with pytest.raises(ConfigFaults) as caught:
        load(file)
    (fault,) = caught.value.faults
    if message is None:
        assert str(fault).startswith(f"{house_file}:2: not TOML, column ")
    else:
        assert str(fault) == message.format(file=file, folder=tmp_path, house=house_file)


TWO_SPEEDS = (
    '[machine]\nname = "Harbour room"\ntracks = 8\noperating_level_nwb_per_m = 320\n'
    '[[machine.speeds]]\nips = 15\nequalization = "iec1"\n[[machine.speeds]]\nips = 30\nequalization = "iec2"\n'
)


def test_each_of_several_tapes_may_stand_in_a_file_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "slow.toml").write_text('[tape]\nname = "Slow"\nfluxivity_nwb_per_m = 250\n')
    (tmp_path / "fast.toml").write_text('[tape]\nname = "Fast"\nspeed_ips = 30\nequalization = "iec2"\n')
    file = tmp_path / "studio.toml"
    tapes = '[[tape]]\nuse = "slow.toml"\n[[tape]]\nuse = "fast.toml"\nfluxivity_nwb_per_m = 355\n'
    file.write_text(TWO_SPEEDS + tapes)
    slow, fast = to_tapes(load(file))
    assert (slow.name, slow.speed_ips, slow.fluxivity_nwb_per_m, slow.equalization.hf_us) == ("Slow", 15, 250, 35)
    assert (fast.name, fast.speed_ips, fast.fluxivity_nwb_per_m, fast.equalization.hf_us) == ("Fast", 30, 355, 17.5)
    # What is wrong in a file is told with its own place; two such files at once.
    (tmp_path / "slow.toml").write_text("[[tape]]\n")
    (tmp_path / "fast.toml").write_text('[tape]\nspeed_ips = 30\nequalization = "iec2"\nreference_hz = 5\n')
    with pytest.raises(ConfigFaults) as caught:
        load(file)
    assert str(caught.value) == (
        f'{file}:12: [[tape]] 1, use = "slow.toml": that file has [[tape]]; write [tape] there, one in each file'
    )
    (tmp_path / "slow.toml").write_text("[tape]\nspeed_ips = 0\n")
    with pytest.raises(ConfigFaults) as caught:
        load(file)
    assert str(caught.value).splitlines() == [
        f"{tmp_path}/fast.toml:4: [[tape]] 2, reference_hz = 5: must be a number from 20 to 20000 Hz",
        f"{tmp_path}/slow.toml:2: [[tape]] 1, speed_ips = 0: must be a number above 0, up to 60 in/s",
    ]


def test_one_tape_in_a_list_is_the_same_as_one_alone() -> None:
    keys = 'name = "House"\nfluxivity_nwb_per_m = 250\n'
    alone, listed = settings(f"[tape]\n{keys}"), settings(f"[[tape]]\n{keys}")
    assert to_tapes(alone) == to_tapes(listed)
    assert to_steps(alone) == to_steps(listed)


def test_a_step_is_trimmed_to_the_tape_of_its_speed() -> None:
    """Each target is 20 lg(tape / operating level), the definition of a level difference: 250 and 355 on 320 nWb/m."""
    steps = to_steps(
        loads(
            f"""{TWO_SPEEDS}
[[tape]]
fluxivity_nwb_per_m = 250
fringing_compensated = true
[[tape]]
fluxivity_nwb_per_m = 355
speed_ips = 30
equalization = "iec2"
fringing_compensated = true
[[step]]
adjustment = "repro level"
tone_hz = 1000
speed_ips = 30
[[step]]
adjustment = "repro level"
tone_hz = 1000
speed_ips = 15
""",
            HERE,
        )
    )
    assert [(step.speed_ips, round(step.target_vu, 2)) for step in steps] == [(30, 0.90), (15, -2.14)]
    assert not [warning for step in steps for warning in step.target_warnings]


def test_of_two_tapes_for_one_speed_a_step_takes_the_one_with_its_tone() -> None:
    written = f"""{TWO_SPEEDS}
[[tape]]
name = "level"
fluxivity_nwb_per_m = 320
fringing_compensated = true
tones = [{{ hz = 1000 }}]
[[tape]]
name = "response"
fluxivity_nwb_per_m = 200
fringing_compensated = true
tones = [{{ hz = 1000, level_db = -10 }}, {{ hz = 10000, level_db = -10 }}]
"""
    steps = to_steps(loads(written, HERE))
    # 20 lg(320/320), and 20 lg(200/320) - 10.
    played = [(step.adjustment, round(step.target_vu, 2)) for step in steps[:4]]
    assert played == [("repro level", 0), ("repro high", -14.08), ("sync level", 0), ("sync high", -14.08)]
    assert {step.speed_ips for step in steps} == {15}
    assert steps[0].advice[0].startswith('Thread "level" first')
    assert 'take off "level", store it tails out, and thread "response"' in steps[1].advice[0]
    assert 'take off "response", store it tails out, and thread "level"' in steps[2].advice[0]
    chosen = f'{written}[[step]]\nadjustment = "repro level"\ntone_hz = 1000\ntone_level_db = -10\n'
    (step,) = to_steps(loads(chosen, HERE))
    assert round(step.target_vu, 2) == -14.08


def test_a_list_without_a_tape_is_none() -> None:
    with pytest.raises(ConfigFaults) as caught:
        loads(f"tape = []\n{MACHINE}", HERE)
    assert (
        str(caught.value)
        == "studio.toml:1: [tape] = []: must be a section: [tape] on a line of its own, its keys below"
    )
