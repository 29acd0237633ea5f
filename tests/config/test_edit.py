"""Measured offsets go into a config; nothing else in it changes."""

import os
import signal
import stat
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.config.edit import EditRefusedError, fingerprint, replace_file, write_entry, write_offsets
from bridge.config.load import load

BEFORE = """# Harbour room (invented)

[machine]          # the one-inch
name   = 'Harbour room'
tracks =  8

[audio]  # by the window
device = "an \\u00e4lter interface"   # never by number
"""
AFTER = """
# The steps
[[step]]
adjustment = "repro level"
  tone_hz = 1e3
"""
WAYS = {
    "a table on its line": ("offsets_db = { 3 = 0.12, 4 = 0.10 }   # measured\n", {3: 0.12, 4: 0.1}),
    "an empty table": ("offsets_db = {}\n", {}),
    "a table without spaces": ('offsets_db={"3"=0.12,"04"=-1}# measured\n', {3: 0.12, 4: -1}),
    "keys with points": ("offsets_db.3 = 0.12  # measured\noffsets_db.5 = 1\n", {3: 0.12, 5: 1}),
    "a section": ("[audio.offsets_db]  # measured\n3 = 0.12 # in May\n\n", {3: 0.12}),
    "nothing": ("", {}),
}

offset = st.integers(-6000, 6000).map(lambda thousandths: thousandths / 1000)
offsets = st.dictionaries(st.integers(1, 64), offset, min_size=1, max_size=8)


def written(file: Path) -> dict[int, float]:
    raw = tomllib.loads(file.read_bytes().decode("utf-8-sig"))
    return {int(name): value for name, value in raw["audio"]["offsets_db"].items()}


@pytest.mark.parametrize("way", WAYS)
@given(measured=offsets, feeds=st.sampled_from(["\n", "\r\n"]), mark=st.booleans())
def test_everything_else_is_the_same_to_the_byte(
    tmp_path_factory: pytest.TempPathFactory, way: str, measured: dict[int, float], feeds: str, mark: bool
) -> None:
    file = tmp_path_factory.mktemp("config") / "studio.toml"
    text, had = WAYS[way]
    bom = "\ufeff" if mark else ""
    file.write_bytes((bom + (BEFORE + text + AFTER).replace("\n", feeds)).encode())
    backup = write_offsets(file, measured, fingerprint(file))
    assert written(file) == had | measured

    lines, lines_before = (path.read_bytes().split(feeds.encode()) for path in (file, backup))
    mentions = (b"offsets_db", *(f"{number} =".encode() for number in measured))

    def others(content: list[bytes]) -> list[bytes]:
        return [line for line in content if not line.lstrip().startswith(mentions)]

    assert others(lines) == others(lines_before)
    for remark in (b"# measured", b"# in May"):
        assert file.read_bytes().count(remark) == backup.read_bytes().count(remark)


@given(measured=offsets, more=offsets)
def test_a_second_measurement_leaves_the_other_inputs(
    tmp_path_factory: pytest.TempPathFactory, measured: dict[int, float], more: dict[int, float]
) -> None:
    file = tmp_path_factory.mktemp("config") / "studio.toml"
    file.write_text(BEFORE + AFTER)
    write_offsets(file, measured, fingerprint(file))
    once = file.read_bytes()
    write_offsets(file, measured, fingerprint(file))
    assert file.read_bytes() == once
    write_offsets(file, more, fingerprint(file))
    assert written(file) == measured | more
    assert dict(load(file).audio.offsets_db) == measured | more


@pytest.mark.parametrize(
    "text",
    [
        '[machine]\nname = "a"\ntracks = 1',
        'machine = { name = "a", tracks = 1 }\naudio = { block_frames = 256 } # inline\n',
        'machine = { name = "a", tracks = 1 }\naudio.block_frames = 256\naudio.offsets_db.9 = 1\n',
        '[machine]\nname = "a"\ntracks = 1\n[audio]',
        '[machine]\nname = """\n[audio]\n"""\ntracks = 1\n[ audio ] # x\nblock_frames = 256\n[osc]\n',
    ],
)
def test_other_ways_to_write_a_config(tmp_path: Path, text: str) -> None:
    file = tmp_path / "studio.toml"
    file.write_text(text)
    try:
        write_offsets(file, {2: 0.25}, fingerprint(file))
    except EditRefusedError as refused:
        assert str(refused) == f"{file}: offsets_db stands there in a way that cannot be changed safely"
        assert file.read_text() == text
    else:
        assert written(file)[2] == 0.25
        load(file)


def test_offsets_are_written_to_a_thousandth(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    file.write_text("[audio]\noffsets_db = {}\n")
    write_offsets(file, {1: 0.12345, 2: -0.0001, 3: 1e-9}, fingerprint(file))
    assert file.read_text() == "[audio]\noffsets_db = { 1 = 0.123, 2 = 0.0, 3 = 0.0 }\n"


def test_a_file_that_changed_meanwhile_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    file.write_text(BEFORE)
    seen = fingerprint(file)
    file.write_text(BEFORE + "# by hand\n")
    with pytest.raises(EditRefusedError, match="has changed since it was loaded"):
        write_offsets(file, {1: 0.1}, seen)
    assert file.read_text() == BEFORE + "# by hand\n"
    assert list(tmp_path.iterdir()) == [file]


def test_what_is_no_config_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    for content in (
        b"[audio\n",
        b"\xff\n",
        b"audio = 3\n",
        b"[audio]\noffsets_db = 3\n",
        b"[audio]\noffsets_db.x = 1\n",
    ):
        file.write_bytes(content)
        with pytest.raises(EditRefusedError, match="is no config"):
            write_offsets(file, {1: 0.1}, fingerprint(file))
        assert file.read_bytes() == content
    with pytest.raises(EditRefusedError, match="cannot be read: No such file"):
        fingerprint(tmp_path / "none.toml")


@pytest.mark.parametrize("mode", [0o600, 0o644, 0o664])
def test_permissions_stay_and_each_backup_is_kept(tmp_path: Path, mode: int) -> None:
    file = tmp_path / "studio.toml"
    file.write_text(BEFORE)
    file.chmod(mode)
    first = write_offsets(file, {1: 0.1}, fingerprint(file))
    second = write_offsets(file, {1: 0.2}, fingerprint(file))
    assert (first.name, second.name) == ("studio.toml.1.bak", "studio.toml.2.bak")
    assert first.read_text() == BEFORE
    assert written(second) == {1: 0.1}
    assert {stat.S_IMODE(path.stat().st_mode) for path in (file, first, second)} == {mode}


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    file = tmp_path / "of the machine.toml"
    file.write_text(BEFORE)
    link = tmp_path / "studio.toml"
    link.symlink_to(file)
    write_offsets(link, {1: 0.1}, fingerprint(link))
    assert link.is_symlink()
    assert written(file) == {1: 0.1}


def test_a_new_file_gets_the_usual_permissions(tmp_path: Path) -> None:
    file = tmp_path / "new.toml"
    umask = os.umask(0o027)
    try:
        replace_file(file, b"x")
    finally:
        os.umask(umask)
    assert stat.S_IMODE(file.stat().st_mode) == 0o640


def test_killed_at_any_moment_the_file_is_whole(tmp_path: Path) -> None:
    file = tmp_path / "studio.toml"
    old, new = b"# old\n" * 50_000, b"# new\n" * 70_000
    script = (
        "import sys; from pathlib import Path; from bridge.config.edit import replace_file; print(flush=True)\n"
        f"while True:\n  replace_file(Path({str(file)!r}), {old[:6]!r} * 50_000)\n"
        f"  replace_file(Path({str(file)!r}), {new[:6]!r} * 70_000)\n"
    )
    for _ in range(5):
        process = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE)
        assert process.stdout is not None
        process.stdout.readline()
        seen: set[bytes] = set()
        deadline = time.monotonic() + 60
        while len(seen) < 2:
            assert time.monotonic() < deadline
            if file.exists():
                seen.add(file.read_bytes())
            assert process.poll() is None
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        assert file.read_bytes() in (old, new)
        assert seen <= {old, new}


@given(
    feeds=st.sampled_from(["\n", "\r\n"]),
    mark=st.booleans(),
    before=st.sampled_from(["", "\n[midi]  # boxes\nbytes_per_s = 900\n", '\n[[midi.bind]]\nmessage = "start" # x\n']),
    cut=st.booleans(),
    text=st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=40),
)
def test_an_entry_goes_to_the_end_and_nothing_else_changes(
    tmp_path_factory: pytest.TempPathFactory, feeds: str, mark: bool, before: str, cut: bool, text: str
) -> None:
    file = tmp_path_factory.mktemp("config") / "studio.toml"
    content = (("\ufeff" if mark else "") + BEFORE + before).rstrip("\n" if cut else "").replace("\n", feeds).encode()
    file.write_bytes(content)
    entry = {"message": "control", "number": 64, "text": text}
    backup = write_entry(file, ("midi", "bind"), entry, fingerprint(file))
    assert backup.read_bytes() == content
    assert file.read_bytes().startswith(content)
    had = tomllib.loads(content.decode("utf-8-sig")).get("midi", {}).get("bind", [])
    assert tomllib.loads(file.read_bytes().decode("utf-8-sig"))["midi"]["bind"] == [*had, entry]


@pytest.mark.parametrize("text", ["midi = 3\n", "midi = { bind = [] }\n", "[midi]\nbind = []\n", "[[midi]]\n"])
def test_an_entry_that_cannot_be_added_leaves_the_file_alone(tmp_path: Path, text: str) -> None:
    file = tmp_path / "studio.toml"
    file.write_text(text)
    with pytest.raises(EditRefusedError, match="in a way that nothing can be added to safely"):
        write_entry(file, ("midi", "bind"), {"message": "start"}, fingerprint(file))
    assert file.read_text() == text
    assert list(tmp_path.iterdir()) == [file]
