"""The fuzzer of the MIDI side finds nothing, and would find what is wrong."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def fuzz(*arguments: str, before: str = "") -> subprocess.CompletedProcess[str]:
    script = f"import runpy, sys\n{before}\nsys.argv = sys.argv[1:]\nrunpy.run_path(sys.argv[0], run_name='__main__')"
    return subprocess.run(
        [sys.executable, "-c", script, str(ROOT / "tools" / "fuzz_midi"), *arguments],
        cwd=ROOT, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip


def test_nothing_gets_through() -> None:
    done = fuzz("--bytes", "1000000", "--seed", "20261125")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "seed 20261125" in done.stdout
    assert " 0 faults" in done.stdout


def test_a_parser_that_forgets_the_rules_is_found() -> None:
    """Real-time bytes that end running status, as a naive parser has it."""
    broken = (
        "from bridge.wire import midi_messages as m\n"
        "feed = m.StreamParser.feed\n"
        "def naive(self, data):\n"
        "    out = feed(self, data)\n"
        "    if any(byte >= 0xF8 for byte in data): self._status = 0\n"
        "    return out\n"
        "m.StreamParser.feed = naive"
    )
    done = fuzz("--bytes", "20000", before=broken)
    assert done.returncode == 1
    assert "read otherwise" in done.stderr


def test_what_escapes_is_found() -> None:
    broken = "from bridge.wire import midi_time_code as m\nm.TimeCodeFollower.receive = lambda *_: 1 / 0"
    done = fuzz("--bytes", "20000", before=broken)
    assert done.returncode == 1
    assert "something escaped" in done.stderr
