"""A self-test with advice: the command `check`. Every part is tested, also when one before it fails."""

import json
import platform
import sqlite3
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Final

from rich.text import Text

from bridge.cli.check_log import log
from bridge.cli.check_network import network
from bridge.cli.check_sound import audio, midi, steps
from bridge.cli.failures import FAILED, WRONG_USE
from bridge.cli.figures import counted
from bridge.cli.finding import Finding
from bridge.cli.tables import show, table
from bridge.config.convert import to_banks, to_steps
from bridge.config.faults import ConfigFaults
from bridge.config.load import load
from bridge.config.settings import Settings

OLDEST_SQLITE: Final = (3, 22)
"""From here on a reader may open a log in WAL mode read-only (SQLite's release history)."""


def check_config(config: Path, *, as_json: bool) -> None:
    """Run all tests, print what they found, and exit with 1 when something is bad, 2 when it is the config."""
    findings = [_python()]
    settings: Settings | None = None
    try:
        settings = load(config)
    except ConfigFaults as faults:
        findings += [
            Finding("config", "bad", str(fault), "mend this line" if fault.line else "") for fault in faults.faults
        ]
        status = WRONG_USE
    else:
        planned = to_steps(settings)
        what = f"{counted(len(planned), 'step')}, {counted(len(to_banks(settings)), 'bank')}"
        findings.append(Finding("config", "good", f"{config}: {what}"))
        findings += steps(settings, planned)
        for test in (audio, network, log):
            findings += _tested(test, settings)
        status = FAILED
    findings += midi(settings.midi if settings is not None else None)
    if as_json:
        json.dump([asdict(finding) for finding in findings], sys.stdout, ensure_ascii=False, indent=1)
        print()
    else:
        _print(findings)
    if any(finding.verdict == "bad" for finding in findings):
        sys.exit(status)


def _tested(test: Callable[[Settings], Iterator[Finding]], settings: Settings) -> Iterator[Finding]:
    try:
        yield from test(settings)
    except OSError as error:
        yield Finding(test.__name__, "bad", str(error), "see whether the path or device can be used at all")


def _python() -> Finding:
    version = platform.python_version()
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        oldest = ".".join(map(str, OLDEST_SQLITE))
        return Finding("python", "bad", f"SQLite {sqlite3.sqlite_version} is older than {oldest}", "use a newer Python")
    return Finding("python", "good", f"Python {version}, SQLite {sqlite3.sqlite_version}")


def _print(findings: list[Finding]) -> None:
    made = table("", "", "")
    made.show_header = False
    for finding in findings:
        advice = f" → {finding.advice}" if finding.advice else ""
        style = "bold" if finding.verdict == "bad" else ""
        made.add_row(Text(finding.verdict, style=style), finding.part, Text(f"{finding.message}{advice}"))
    show(made)
