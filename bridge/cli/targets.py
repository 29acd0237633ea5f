"""What the meter must read in each step, as a sum of its terms: the command `targets`."""

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from bridge.cli.tables import console, table
from bridge.config.convert import to_steps
from bridge.config.load import load
from bridge.procedure.steps import Step
from bridge.ranges import ranges
from bridge.tape.targets import TERMS
from bridge.units import signed

SHOWN_DB: Final = 0.005


def show_targets(config: Path, *, as_json: bool) -> None:
    """Print the targets of a config."""
    settings = load(config, source_needed=False)
    steps = to_steps(settings)
    if as_json:
        json.dump([_record(step) for step in steps], sys.stdout, ensure_ascii=False, indent=1)
        print()
        return
    out = console()
    tapes = (
        f"calibration tape {tape.name or 'without a name'}: {tape.fluxivity_nwb_per_m:g} nWb/m, {tape.speed_ips:g} in/s"
        for tape in settings.tapes
    )
    level = f"{settings.machine.name}: 0 VU is {settings.machine.operating_level_nwb_per_m:g} nWb/m"
    out.print("\n".join((level, *tapes, "")), markup=False)
    out.print(_table(steps))
    _print_warnings(out, steps)


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
    # A term that is nothing in every step takes no column.
    terms = [term for term in TERMS if any(abs(step.target_terms_db.get(term, 0.0)) >= SHOWN_DB for step in steps)]
    made = table(
        ">step", "adjustment", ">Hz", ">in/s", ">target VU", ">give or take",
        *(f">{term.replace('_', ' ')}" for term in terms), ">tolerance",
    )  # fmt: skip
    for number, step in enumerate(steps, start=1):
        of_step = (step.target_terms_db.get(term, 0.0) for term in terms)
        made.add_row(
            str(number),
            step.adjustment,
            f"{step.tone_hz:g}",
            f"{step.speed_ips:g}",
            Text(signed(step.target_vu), style="bold"),
            f"{step.target_uncertainty_db:.2f}",
            *("" if abs(term) < SHOWN_DB else signed(term) for term in of_step),
            f"±{step.tolerance_db:g}",
        )
    return made


def _print_warnings(out: Console, steps: tuple[Step, ...]) -> None:
    """Print what each step has to say, and each piece of advice once, after all that it is good for."""
    said: dict[str, dict[str, list[int]]] = {}
    for number, step in enumerate(steps, start=1):
        texts = [(text, "") for text in step.advice]
        for message, advice in (*texts, *((warning.message, warning.advice) for warning in step.target_warnings)):
            said.setdefault(advice, {}).setdefault(message, []).append(number)
    for advice, messages in said.items():
        for place, (message, numbers) in enumerate(messages.items()):
            gap = "\n" if place == 0 or not advice else ""
            out.print(f"{gap}{_named(numbers, steps)}: {message}", markup=False)
        if advice:
            out.print(f"→ {advice}", markup=False)


def _named(numbers: list[int], steps: tuple[Step, ...]) -> str:
    if len(numbers) == 1:
        return f"step {numbers[0]}, {steps[numbers[0] - 1].adjustment}"
    return f"steps {ranges(numbers)}"
