"""Trims, steps and openings of an invented studio, for the checks of the log."""

import math
from dataclasses import replace
from pathlib import Path

from bridge.log.calibrations import Opening
from bridge.procedure.steps import Step
from bridge.readings import Trim

MACHINE = "Quay loft two-inch (invented)"
SECOND_NS = 1_000_000_000
START_NS = 1_795_597_200 * SECOND_NS
"""2026-11-25T09:00:00Z."""

LEVEL = Step("repro level", 1000.0, 15.0, -2.14, 0.1, {"fluxivity": -2.14, "user": 0.0})
HIGH = Step("repro high", 10_000.0, 15.0, -2.14, 0.25, {"fluxivity": -2.14})
LOW = Step("repro low", 100.0, 15.0, -1.32, 0.5, {"fluxivity": -2.14, "fringing": 0.82})
STEPS = (LEVEL, HIGH, LOW)

TRIM = Trim(
    machine=MACHINE,
    track=3,
    path="repro",
    adjustment="repro level",
    tone_hz=1000.0,
    speed_ips=15.0,
    target_vu=-2.14,
    as_found_db=-0.8344,
    as_left_db=0.0126,
    spread_db=0.0213,
    tolerance_db=0.1,
    started_s=12.5,
    settled_s=19.25,
    started_ns=START_NS + 12_500_000_000,
    settled_ns=START_NS + 19_250_000_000,
    origin="by hand",
    kind="by hand",
)


def opening(at_ns: int = START_NS, **changes: object) -> Opening:
    return replace(Opening(MACHINE, 'machine.name = "invented"\n', STEPS, at_ns), **changes)


def same(one: Trim, other: Trim) -> bool:
    """Equality in which what was not measured equals itself."""
    pairs = [(getattr(one, name), getattr(other, name)) for name in Trim.__slots__]
    return all(a == b or (isinstance(a, float) and math.isnan(a) and math.isnan(b)) for a, b in pairs)


def log_files(path: Path) -> list[str]:
    return sorted(file.name for file in path.parent.iterdir())
