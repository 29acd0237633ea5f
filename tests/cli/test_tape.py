"""`tape`: running times against the table on every tape box, losses against the tables of the handbooks."""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.cli.program import trimbridge

CONFIG = """
[machine]
name = "Weir two-inch (invented)"
tracks = 24
track_width_mm = 1.0
track_pitch_mm = 2.11
repro_gap_um = 5
[[machine.speeds]]
ips = 15
equalization = "iec1"
[[machine.speeds]]
ips = 30
equalization = "iec2"
[tape]
speed_ips = 15
tones = [{ hz = 1000, seconds = 60 }, { hz = 10000, seconds = 30 }, { hz = 100, seconds = 45 }]
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "room.toml"
    path.write_text(CONFIG)
    return path


def told(config: Path, *words: str) -> dict[str, Any]:
    return dict(json.loads(trimbridge("tape", config, "--json", *words).stdout))


def test_where_the_tones_stand(config: Path) -> None:
    """15 in/s are 0.381 m/s: a minute is 22.86 m."""
    tones = told(config)["tones"]
    assert [(one["hz"], one["begins_s"], one["ends_s"]) for one in tones] == [
        (1000, 0, 60), (10_000, 60, 90), (100, 90, 135),
    ]  # fmt: skip
    assert [one["begins_m"] for one in tones] == pytest.approx([0, 22.86, 34.29])


@pytest.mark.parametrize(("feet", "at_15", "at_30"), [(1200, 16 * 60, 8 * 60), (2500, 33 * 60 + 20, 16 * 60 + 40)])
def test_a_reel_runs_as_long_as_its_box_says(config: Path, feet: int, at_15: float, at_30: float) -> None:
    """Minutes at 15 and 30 in/s as on every box: length divided by speed, exact."""
    running = told(config, "--feet", str(feet), "--played-min", "5")["running"]
    assert [(one["speed_ips"], one["seconds"], one["left_s"]) for one in running] == [
        (15, pytest.approx(at_15), pytest.approx(at_15 - 300)), (30, pytest.approx(at_30), pytest.approx(at_30 - 300)),
    ]  # fmt: skip
    assert told(config, "--metres", str(feet * 0.3048))["running"][0]["seconds"] == pytest.approx(at_15)


def test_a_pack_holds_what_it_holds(config: Path) -> None:
    """The area of a ring divided by the thickness: pi (200² − 100²) / (4 × 0.05 mm) = 471.24 m."""
    pack = ("--hub-mm", "100", "--thickness-um", "50")
    assert told(config, "--pack-mm", "200", *pack)["length_m"] == pytest.approx(471.24, abs=0.01)
    assert told(config, "--metres", "471.24", *pack)["pack_mm"] == pytest.approx(200, abs=0.01)


def test_losses_are_those_of_the_handbooks(config: Path) -> None:
    """At 10 kHz and 15 in/s a wave is 38.1 µm long. Wallace (BSTJ XXX(4) II, 1951): 1 µm of spacing costs 1.432 dB,
    a coating of 10 µm 6.199 dB. Gap 5 µm acting as 5.7 µm: 20 lg (sin x / x), x = pi × 5.7 / 38.1 = 0.47: 0.32 dB.
    Azimuth 6′ on 1 mm: x = pi × 1.7453 / 38.1 = 0.1439, 0.030 dB; outer tracks 23 × 2.11 mm: 48.53 mm × 6′ = 84.7 µm,
    a delay of 222.3 µs, 800.3° at 10 kHz.
    """
    losses = told(config, "--arcminutes", "6")["losses"]
    assert len(losses) == 6
    one = next(one for one in losses if (one["hz"], one["speed_ips"]) == (10_000, 15))
    assert one["wavelength_um"] == pytest.approx(38.1)
    assert one["spacing_db"] == pytest.approx(-1.432, abs=0.001)
    assert one["coating_db"] == pytest.approx(-6.199, abs=0.001)
    assert one["gap_db"] == pytest.approx(-0.323, abs=0.005)
    assert one["azimuth_db"] == pytest.approx(-0.030, abs=0.001)
    assert one["outer_tracks_deg"] == pytest.approx(800.3, abs=0.5)


def test_the_azimuth_behind_a_delay(config: Path) -> None:
    """222.3 µs over 48.53 mm at 381 mm/s are 84.7 µm, 6 minutes of arc."""
    assert told(config, "--delay-us", "222.3")["azimuth_arcminutes"] == pytest.approx(6.0, abs=0.01)
    assert "+6.00 minutes of arc" in trimbridge("tape", config, "--delay-us", "222.3").stdout


def test_what_the_config_does_not_tell_is_not_guessed(tmp_path: Path) -> None:
    path = tmp_path / "bare.toml"
    path.write_text('[machine]\nname = "Weir (invented)"\ntracks = 2\n')
    assert {one["gap_db"] for one in told(path)["losses"]} == {None}
    said = trimbridge("tape", path, "--feet", "2500").stdout
    assert "—" in said
    assert "0:33:20" in said
    assert "762.0 m of tape" in said


def test_with_two_tapes_each_has_its_places_and_its_angle(tmp_path: Path) -> None:
    path = tmp_path / "room.toml"
    fast = '[[tape]]\nname = "Fast"\nspeed_ips = 30\nequalization = "iec2"\ntones = [{ hz = 1000, seconds = 10 }]\n'
    path.write_text(CONFIG.replace("[tape]", '[[tape]]\nname = "Slow"') + fast)
    found = told(path, "--delay-us", "2")
    assert [(one["speed_ips"], one["hz"], one["begins_s"]) for one in found["tones"]] == [
        (15, 1000, 0), (15, 10_000, 60), (15, 100, 90), (30, 1000, 0),
    ]  # fmt: skip
    # The tape moves v t = 0.762 and 1.524 µm in 2 µs, and the outer tracks are 23 times 2.11 mm apart: v t / d.
    said = trimbridge("tape", path, "--delay-us", "2").stdout
    assert "2 µs apart at 15 in/s: the gaps are +0.05 minutes of arc apart" in said
    assert "2 µs apart at 30 in/s: the gaps are +0.11 minutes of arc apart" in said
    assert "The tones of Slow at 15 in/s" in said
