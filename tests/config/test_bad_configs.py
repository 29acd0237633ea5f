"""Bad configs: each gets its one line, and all that is wrong with one is said at once."""

import re
from pathlib import Path

import pytest

from bridge.config.faults import ConfigFaults
from bridge.config.load import load

MACHINE = '[machine]\nname = "Harbour room"\ntracks = 8\n'
CASES = (Path(__file__).parent / "bad_configs.txt").read_text(encoding="utf-8").split("# case: ")[1:]
BAD = [re.fullmatch(r"(.+)\n((?:.*\n)+)# says: (.+)\n*", case) for case in CASES]


def faults(path: Path) -> list[str]:
    with pytest.raises(ConfigFaults) as caught:
        load(path)
    lines = str(caught.value).splitlines()
    assert lines == [str(fault) for fault in caught.value.faults]
    return lines


@pytest.mark.parametrize("case", BAD, ids=[case[1] if case else "?" for case in BAD])
def test_each_bad_config_has_its_one_line(tmp_path: Path, case: re.Match[str]) -> None:
    file = tmp_path / "studio.toml"
    file.write_text(MACHINE + case[2], encoding="utf-8")
    assert faults(file) == [f"{file}:{case[3]}"]


def test_the_table_is_read_whole() -> None:
    assert len(BAD) >= 50
    assert None not in BAD


def test_what_no_parser_takes(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    file.write_text("inputs = " + "[" * 5000)
    assert faults(file) == [f"{file}: brackets are nested too deeply"]
    file.write_text("port = 1" + "0" * 5000)
    assert faults(file) == [f"{file}: a number in it has too many digits"]
    file.write_text(MACHINE + "[osc]\nport = 0x" + "f" * 5000)
    (line,) = faults(file)
    assert line.startswith(f"{file}:5: [osc] port = 0xfff")
    assert line.endswith("f…: must be a whole number from 0 to 65535")
    file.write_text(MACHINE + "[audio]\ninputs = { 1 = 1\n")
    (line,) = faults(file)
    assert line.startswith(f"{file}:5: not TOML, column ")


def test_the_machine_is_required(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    file.write_text("")
    assert faults(file) == [f"{file}: [machine]: missing; it needs at least name and tracks"]
    file.write_text("machine = 8\n")
    assert faults(file) == [f"{file}:1: machine = 8: must be a section: [machine] on a line of its own, its keys below"]
    file.write_text("reference_dbfs = -18\n" + MACHINE)
    assert faults(file) == [f"{file}:1: reference_dbfs = -18: stands outside every section; it belongs under [audio]"]


def test_everything_wrong_is_said_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    file.write_text(
        """
[machine]
tracks = "8"
opertaing_level_nwb_per_m = 320
track_width_mm = 0
[[machine.speeds]]
ips = 15
equalization = "nba"
[[machine.speeds]]
ips = 30
[tape]
speed_ips = 7.5
tones = []
scale = "old"
[audio]
source = "recording"
sample_rate_hz = 12000
inputs = { "1-70" = "1-70", 2 = "x" }
offsets_db = { 3 = "x" }
[[step]]
adjustment = "bias"
tone_hz = 1000
target_vu = 40
[osc]
listen = "here"
destinations = ["a", "b:0"]
[pager]
"""
    )
    said = faults(file)
    keys = [line.removeprefix(f"{file}:").split(":")[:2] for line in said]
    assert [(int(line), what.strip().split(" =")[0]) for line, what in keys] == [
        (2, "[machine] name"),
        (3, "[machine] tracks"),
        (4, "[machine] opertaing_level_nwb_per_m"),
        (5, "[machine] track_width_mm"),
        (8, "[[machine.speeds]] 1, equalization"),
        (9, "[[machine.speeds]] 2, equalization"),
        (14, "[tape] scale"),
        (15, "[audio] recording"),
        (17, "[audio] sample_rate_hz"),
        (18, "[audio] inputs, 1-70"),
        (18, "[audio] inputs, 2"),
        (19, "[audio] offsets_db, 3"),
        (23, "[[step]] 1, target_vu"),
        (25, "[osc] listen"),
        (26, "[osc] destinations, entry 1"),
        (26, "[osc] destinations, entry 2"),
        (27, "[pager]"),
    ]


def test_a_default_is_never_accused_of_what_is_wrong_beside_it(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    file.write_text(MACHINE.replace("8", "0") + '[audio]\ninputs = { "1-24" = "1-24" }\n')
    assert faults(file) == [f"{file}:3: [machine] tracks = 0: must be a whole number from 1 to 64"]


def test_no_such_file(tmp_path: Path) -> None:
    file = tmp_path / "none.toml"
    assert faults(file) == [
        f"{file}: no such file; `trimbridge init` asks a few questions and writes one; try configs/practice.toml"
    ]


def test_a_folder(tmp_path: Path) -> None:
    assert faults(tmp_path) == [f"{tmp_path}: a folder, not a config file"]


def test_a_device_file_is_not_read() -> None:
    assert faults(Path("/dev/zero")) == ["/dev/zero: not a file"]


def test_not_utf_8(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    file.write_bytes(MACHINE.encode() + '[tape]\nname = "Prüfband"\n'.encode("latin-1"))
    assert faults(file) == [f"{file}:5: not UTF-8 text; save it as UTF-8 in the editor"]


def test_a_sound_file_by_mistake(tmp_path: Path) -> None:
    file = tmp_path / "capture.wav"
    file.write_bytes(b"RIFF" + bytes(2_000_000))
    assert faults(file) == [f"{file}: not a config: 2000004 bytes, the limit is 1000000"]


def test_control_characters_cannot_reach_the_terminal(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    file.write_text(MACHINE + '[audio]\n"\\u001b[2J\\n" = 1\n')
    (line,) = faults(file)
    assert line.startswith(f"{file}:5: [audio] \\x1b[2J\\n: unknown key; ")
