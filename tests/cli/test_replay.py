"""Recordings by sox with known levels, through `replay`: every reading is the level, at its time, in its track."""

import csv
import json
import struct
import subprocess
from pathlib import Path

import pytest

from tests.cli.program import trimbridge
from tests.system.sound import peaks_dbfs, tones

REFERENCE_DBFS = -18.0
LEVELS_DBFS = (-18.0, -21.5, -12.25, -17.9)
SECONDS = 4


def config(path: Path, *, frames_per_s: float = 30, inputs: str = "", more: str = "") -> Path:
    path.write_text(
        '[machine]\nname = "Gate house four-track (invented)"\ntracks = 4\n'
        f"[audio]\nreference_dbfs = {REFERENCE_DBFS}\n{inputs}\n"
        f"[osc]\nframes_per_s = {frames_per_s}\n"
        f'[[step]]\nadjustment = "repro level"\ntone_hz = 1000\ntarget_vu = 0.5\n{more}'
    )
    return path


def rf64(source: Path, path: Path, channels: int, rate_hz: int) -> Path:
    """The samples of a file in 16 bits, under the header of EBU Tech 3306 v2.0 (2018), 2: the sizes stand in ds64."""
    raw = ["sox", "-R", str(source), "-t", "raw", "-e", "signed", "-b", "16", "-L", "-"]
    data = subprocess.run(raw, check=True, capture_output=True, timeout=60).stdout
    frame_bytes = 2 * channels
    form = struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, 16)
    unknown = struct.pack("<I", 0xFFFF_FFFF)
    body = b"fmt " + struct.pack("<I", len(form)) + form + b"data" + unknown + data
    ds64 = b"ds64" + struct.pack("<IQQQI", 28, 4 + 36 + len(body), len(data), len(data) // frame_bytes, 0)
    path.write_bytes(b"RF64" + unknown + b"WAVE" + ds64 + body)
    return path


def readings(capture: Path, settings: Path, directory: Path) -> tuple[dict[str, object], list[dict[str, str]]]:
    out = directory / "readings.csv"
    summary = json.loads(trimbridge("replay", capture, settings, "--readings", out, "--json").stdout)
    with out.open(newline="") as file:
        return summary, list(csv.DictReader(file))


def check_levels(rows: list[dict[str, str]], levels_dbfs: tuple[float, ...], hz: float, target_vu: float = 0.5) -> None:
    """The last frame: fine level within 0.01 dB, frequency within 0.02 %, VU within 0.05 dB."""
    assert [int(row["track"]) for row in rows] == list(range(1, len(levels_dbfs) + 1))
    for row, level_dbfs in zip(rows, levels_dbfs, strict=True):
        vu = level_dbfs - REFERENCE_DBFS
        assert float(row["fine_db"]) == pytest.approx(vu - target_vu, abs=0.01)
        assert float(row["vu"]) == pytest.approx(vu, abs=0.05)
        assert float(row["deviation_db"]) == pytest.approx(vu - target_vu, abs=0.05)
        assert float(row["hz"]) == pytest.approx(hz, rel=2e-4)


@pytest.mark.parametrize(
    ("kind", "rate_hz", "hz"),
    [("wav", 44_100, 1000.0), ("wav", 192_000, 1003.0), ("rf64", 48_000, 1000.0), ("flac", 96_000, 997.0)],
)
def test_levels_in_every_format_and_rate(kind: str, rate_hz: int, hz: float, tmp_path: Path) -> None:
    made = tmp_path / ("capture.flac" if kind == "flac" else "capture.wav")
    capture = tones(made, LEVELS_DBFS, hz=hz, seconds=SECONDS, rate_hz=rate_hz)
    assert peaks_dbfs(capture) == pytest.approx(LEVELS_DBFS, abs=0.011)
    if kind == "rf64":
        capture = rf64(capture, tmp_path / "capture.rf64", len(LEVELS_DBFS), rate_hz)
    summary, rows = readings(capture, config(tmp_path / "room.toml"), tmp_path)
    assert summary["seconds"] == pytest.approx(SECONDS)
    check_levels(rows[-4:], LEVELS_DBFS, hz)


@pytest.mark.parametrize("frames_per_s", [1, 12.5, 100])
def test_frames_come_at_the_rate_that_is_asked_for(frames_per_s: float, tmp_path: Path) -> None:
    capture = tones(tmp_path / "capture.wav", LEVELS_DBFS, seconds=SECONDS)
    summary, rows = readings(capture, config(tmp_path / "room.toml", frames_per_s=frames_per_s), tmp_path)
    assert summary["frames"] == SECONDS * frames_per_s
    assert len(rows) == 4 * SECONDS * frames_per_s
    positions_s = [float(row["position_s"]) for row in rows[::4]]
    due_s = [number / frames_per_s for number in range(1, len(positions_s) + 1)]
    # A frame tells the measurement of 10 ms in which it fell due.
    assert positions_s == pytest.approx(due_s, abs=0.0101)


def test_tracks_read_the_inputs_that_they_are_patched_to(tmp_path: Path) -> None:
    levels_dbfs = (-30.0, -18.0, -31.0, -21.5, -12.25, -32.0, -17.9)
    capture = tones(tmp_path / "capture.wav", levels_dbfs, seconds=SECONDS)
    settings = config(
        tmp_path / "room.toml", inputs="inputs = { 1 = 7, 2 = 2, 3 = 5, 4 = 4 }\noffsets_db = { 4 = 0.75 }"
    )
    _, rows = readings(capture, settings, tmp_path)
    check_levels(rows[-4:], (-17.9, -18.0, -12.25, -21.5 + 0.75), 1000.0)


def test_trims_carry_positions_and_levels(tmp_path: Path) -> None:
    """Found right and never touched: logged with the level, the target of its step, and when in the file."""
    capture = tones(tmp_path / "capture.wav", (-17.5,) * 4, seconds=8)
    log = tmp_path / "new.db"
    trimbridge("replay", capture, config(tmp_path / "room.toml"), "--log", log)
    lines = trimbridge("export", "--log", log).stdout.splitlines()
    trims = [json.loads(line) for line in lines]
    assert sorted(trim["track"] for trim in trims) == [1, 2, 3, 4]
    for trim in trims:
        assert trim["target_vu"] == 0.5
        assert trim["as_left_db"] == pytest.approx(0.0, abs=0.01)
        assert 0.0 <= trim["started_s"] <= trim["settled_s"] <= 8.0
        assert trim["within_tolerance"] is True
        assert trim["origin"] == "automatic"


def test_a_tone_that_fits_no_step_is_said_with_its_place(tmp_path: Path) -> None:
    parts = [tones(tmp_path / f"{hz}.wav", (-17.5,) * 4, hz=hz, seconds=4) for hz in (1000.0, 3150.0, 1000.0)]
    subprocess.run(["sox", *map(str, parts), str(tmp_path / "capture.wav")], check=True, timeout=60)
    ran = trimbridge("replay", tmp_path / "capture.wav", config(tmp_path / "room.toml"))
    said = [line for line in ran.stderr.splitlines() if "3150 Hz" in line]
    assert len(said) == 1
    assert "0:00:04 no step wants a tone of 3150 Hz" in said[0] or "0:00:05 no step wants" in said[0]


def test_a_recording_of_another_speed_is_read_from_the_step_that_is_named(tmp_path: Path) -> None:
    two = tmp_path / "two.toml"
    two.write_text(
        '[machine]\nname = "Gate house four-track (invented)"\ntracks = 4\n[audio]\nreference_dbfs = -18\n'
        "[[tape]]\nfluxivity_nwb_per_m = 250\nfringing_compensated = true\n"
        '[[tape]]\nspeed_ips = 30\nequalization = "iec2"\nfluxivity_nwb_per_m = 355\nfringing_compensated = true\n'
    )
    capture = tones(tmp_path / "capture.wav", LEVELS_DBFS, seconds=SECONDS)
    # 20 lg(250/320) and 20 lg(355/320): by how much each tape is off operating level.
    for step, target_vu in ((1, -2.144), (5, 0.902)):
        out = tmp_path / f"{step}.csv"
        trimbridge("replay", capture, two, "--readings", out, "--step", str(step))
        with out.open(newline="") as file:
            check_levels(list(csv.DictReader(file))[-4:], LEVELS_DBFS, 1000, target_vu)
    refused = trimbridge("replay", capture, two, "--step", "40", status=2)
    assert refused.stderr.strip().endswith(f"--step 40: the steps of {two} are 1 to 16")
