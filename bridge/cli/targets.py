"""What the meter must read in each step, as a sum of its terms: the command `targets`."""

import json
import sys
from dataclasses import asdict
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from bridge.cli.live import signed
from bridge.config.convert import to_steps
from bridge.config.load import load
from bridge.procedure.steps import Step
from bridge.tape.targets import TERMS


def show_targets(config: Path, *, as_json: bool) -> None:
    """Print the targets of a config."""
    settings = load(config)
    steps = to_steps(settings)
    if as_json:
        json.dump([_record(step) for step in steps], sys.stdout, ensure_ascii=False, indent=1)
        print()
        return
    console = Console(highlight=False)
    tape = settings.tape
    console.print(
        f"{settings.machine.name}: 0 VU is {settings.machine.operating_level_nwb_per_m:g} nWb/m\n"
        f"calibration tape {tape.name or 'without a name'}: {tape.fluxivity_nwb_per_m:g} nWb/m, "
        f"{tape.speed_ips:g} in/s\n",
        markup=False,
    )
    console.print(_table(steps))
    _print_warnings(console, steps)


def _record(step: Step) -> dict[str, object]:
    return {
        "adjustment": step.adjustment,
        "tone_hz": step.tone_hz,
        "speed_ips": step.speed_ips,
        "target_vu": step.target_vu,
        "terms": dict(step.target_terms_db),
        "uncertainty_db": step.target_uncertainty_db,
        "tolerance_db": step.tolerance_db,
        "warnings": [asdict(warning) for warning in step.target_warnings],
        "advice": list(step.advice),
    }


def _table(steps: tuple[Step, ...]) -> Table:
    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("step", justify="right")
    table.add_column("adjustment", no_wrap=True)
    for heading in (
        "Hz",
        "in/s",
        "target VU",
        "give or take",
        *(term.replace("_", " ") for term in TERMS),
        "tolerance",
    ):
        table.add_column(heading, justify="right")
    for number, step in enumerate(steps, start=1):
        terms = (step.target_terms_db.get(term, 0.0) for term in TERMS)
        table.add_row(
            str(number),
            step.adjustment,
            f"{step.tone_hz:g}",
            f"{step.speed_ips:g}",
            Text(signed(step.target_vu), style="bold"),
            f"{step.target_uncertainty_db:.2f}",
            *("" if abs(term) < 0.005 else signed(term) for term in terms),
            f"±{step.tolerance_db:g}",
        )
    return table


def _print_warnings(console: Console, steps: tuple[Step, ...]) -> None:
    for number, step in enumerate(steps, start=1):
        for text in (*step.advice, *(f"{warning.message}; {warning.advice}" for warning in step.target_warnings)):
            console.print(f"\nstep {number}, {step.adjustment}: {text}", markup=False)
