"""Offsets of inputs from tones with known differences: from a recording by sox, and through a real JACK server."""

import json
import subprocess
from pathlib import Path

import pytest

from bridge.config.load import load
from tests.cli.program import PROGRAM, ROOT, trimbridge
from tests.system.daemon import JACK
from tests.system.jack import JackServer, ToneClient, wait_until
from tests.system.sound import tones

LEVELS_DBFS = (-18.0, -17.9, -18.25)
CONFIG = """\
# The loft, as it was wired in spring (invented).
[machine]
name = "Loft three-track"   # the one by the stairs
tracks = 3

[audio]
{source}
reference_dbfs = -18.0      # agreed with the other room
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    capture = tones(tmp_path / "tone.wav", LEVELS_DBFS, seconds=20)
    path = tmp_path / "loft.toml"
    path.write_text(CONFIG.format(source=f'source = "recording"\nrecording = "{capture.name}"'))
    return path


def test_differences_to_a_level_and_to_the_mean(config: Path) -> None:
    wanted = ("offsets", config, "--seconds", "1", "--json")
    found = json.loads(trimbridge(*wanted, "--level-dbfs", "-18").stdout)
    assert [one["input"] for one in found] == [1, 2, 3]
    assert [one["level_dbfs"] for one in found] == pytest.approx(LEVELS_DBFS, abs=0.002)
    assert [one["offset_db"] for one in found] == pytest.approx((0.0, -0.1, 0.25), abs=0.002)
    found = json.loads(trimbridge(*wanted).stdout)
    assert [one["offset_db"] - found[0]["offset_db"] for one in found] == pytest.approx((0.0, -0.1, 0.25), abs=0.002)


def test_writing_keeps_the_comments_and_a_copy(config: Path) -> None:
    before = config.read_text()
    said = trimbridge("offsets", config, "--seconds", "1", "--level-dbfs", "-18", "--write").stdout
    after = config.read_text()
    for comment in ("# The loft, as it was", "# the one by the stairs", "# agreed with the other room"):
        assert comment in after
    assert dict(load(config).audio.offsets_db) == pytest.approx({1: 0.0, 2: -0.1, 3: 0.25}, abs=0.002)
    assert set(before.splitlines()) <= set(after.splitlines())
    copies = [path for path in config.parent.iterdir() if path != config and path.read_bytes() == before.encode()]
    assert len(copies) == 1
    assert copies[0].name in said


def test_through_a_real_server(tmp_path: Path) -> None:
    path = tmp_path / "loft.toml"
    path.write_text(CONFIG.format(source=JACK))
    found: list[dict[str, float]] = []

    def measured() -> bool:
        """Measure once. On a loaded machine the server loses periods, and a tone with gaps is rightly refused."""
        words = ["offsets", str(path), "--seconds", "1", "--level-dbfs", "-18", "--json"]
        with subprocess.Popen(
            [*PROGRAM, *words],
            cwd=ROOT,
            env=server.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as measuring:
            try:
                server.wire(player.client, "trimbridge", 3)
                said, complaints = measuring.communicate(timeout=120)
            finally:
                measuring.kill()
        if measuring.returncode != 0:
            assert "with an unsteady tone" in complaints
            return False
        found.extend(json.loads(said))
        return True

    with JackServer(channels=3) as server, ToneClient(server, LEVELS_DBFS) as player:
        wait_until(measured, "offsets are measured", 180.0)
    assert [one["offset_db"] for one in found] == pytest.approx((0.0, -0.1, 0.25), abs=0.01)
