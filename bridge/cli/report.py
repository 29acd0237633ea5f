"""What a calibration has come to: the command `report`."""

import json
import sys
from contextlib import closing
from pathlib import Path
from typing import Final

from bridge.cli.failures import WrongUseError
from bridge.cli.figures import KINDS, error_and_kind_of, found_of, left_of, note_line
from bridge.cli.output_file import spare, write_whole
from bridge.cli.printed import SHEET_BEGINS, printed
from bridge.cli.sheet import Sheet, sheet_of
from bridge.cli.tables import show, table
from bridge.log import export
from bridge.log.queries import LoggedTrim
from bridge.log.store import default_path, open_reader
from bridge.procedure.steps import speed_told
from bridge.ranges import ranges
from bridge.units import UNKNOWN, signed
from bridge.words import TURNED

STEPS_ABREAST: Final = 3
"""So many fit 80 columns."""


def show_report(log: Path | None, *, calibration: str, as_json: bool, output: Path | None = None) -> None:
    """Print what a calibration has come to, or write it as a sheet for the binder."""
    path = log or default_path()
    if output is not None:
        if as_json:
            raise WrongUseError("--json prints, --output writes a sheet to be printed on paper: choose one")
        spare(output, path, begins=SHEET_BEGINS.encode())
    with closing(open_reader(path)) as connection:
        sheet = sheet_of(connection, calibration)
    if output is not None:
        write_whole(output, printed(sheet))
        print(f"written: {output}, to be printed from any browser")
    elif as_json:
        json.dump(_record(sheet), sys.stdout, ensure_ascii=False, indent=1)
        print()
    else:
        _print(sheet)


def _record(sheet: Sheet) -> dict[str, object]:
    calibration, missing = sheet.calibration, {one.step: one.tracks for one in sheet.missing}
    turned = {one.step: one.tracks for one in sheet.unlogged}
    return {
        "calibration": calibration.id,
        "machine": calibration.machine,
        "started_at": export.iso_8601(calibration.started_ns),
        "ended_at": None if calibration.ended_ns is None else export.iso_8601(calibration.ended_ns),
        "complete": bool(sheet.tracks) and not missing,
        "tracks": list(sheet.tracks),
        "steps": [
            {
                "number": number,
                "adjustment": step.adjustment,
                "tone_hz": step.tone_hz,
                "speed_ips": step.speed_ips,
                "target_vu": step.target_vu,
                "tolerance_db": step.tolerance_db,
                "missing": list(missing.get(number, ())),
                "turned_and_not_logged": list(turned.get(number, ())),
                "tracks": [_cell_record(track, *cells[track]) for track in sheet.tracks if track in cells],
            }
            for number, (step, cells) in enumerate(zip(sheet.steps, sheet.cells, strict=True), 1)
        ],
        "notes": [
            {"at": export.iso_8601(note.at_ns), "text": note.text, "after": None if before is None else before.id}
            for note, before in sheet.notes
        ],
    }


def _cell_record(track: int, first: LoggedTrim, last: LoggedTrim) -> dict[str, object]:
    found, left = export.record_of(first), export.record_of(last)
    return {
        "track": track,
        "as_found_db": found["as_found_db"],
        "as_left_db": left["as_left_db"],
        "spread_db": left["spread_db"],
        "standard_error_db": left["standard_error_db"],
        "kind": left["kind"],
        "within_tolerance": left["within_tolerance"],
        "first": first.id,
        "last": last.id,
    }


def _print(sheet: Sheet) -> None:
    calibration = sheet.calibration
    made = table(
        ">step", "adjustment", ">Hz", ">in/s", ">target", ">±", ">logged", "missing", "outside",
        title=f"{calibration.machine}, calibration {calibration.id}{sheet.standing}",
    )  # fmt: skip
    missing = {one.step: one.tracks for one in sheet.missing}
    for number, (step, cells) in enumerate(zip(sheet.steps, sheet.cells, strict=True), 1):
        outside = [track for track in sheet.tracks if track in cells and cells[track][1].trim.within_tolerance is False]
        made.add_row(
            str(number),
            step.adjustment,
            f"{step.tone_hz:g}",
            f"{step.speed_ips:g}",
            signed(step.target_vu),
            f"{step.tolerance_db:g}",
            f"{len(sheet.tracks) - len(missing.get(number, ()))} of {len(sheet.tracks)}",
            ranges(missing.get(number, ())),
            ranges(outside),
        )
    show(made)
    if not sheet.tracks or not sheet.steps:
        print("nothing was logged")
    else:
        _print_grid(sheet)
        lacking = "; ".join(map(str, sheet.missing))
        print(f"missing: {lacking}" if lacking else "nothing is missing")
        if sheet.turned_text:
            print(f"{TURNED}: {sheet.turned_text}")
    for note, before in sheet.notes:
        print(f"{note_line(note)}{_after(before, sheet)}")


def _after(before: LoggedTrim | None, sheet: Sheet) -> str:
    """Return where a note stands among the trims."""
    if before is None:
        return " (before the first trim)"
    trim = before.trim
    tone = f"{trim.tone_hz:g} Hz{speed_told(trim, sheet.steps)}"
    return f" (after no. {before.sequence}, {trim.adjustment} of track {trim.track} at {tone})"


def _print_grid(sheet: Sheet) -> None:
    """Print as found and as left, a row a track, three columns a step."""
    print("\ndB from the target, ± standard error; ! = outside its tolerance, — = missing or not known")
    print(KINDS)
    for begin in range(0, len(sheet.cells), STEPS_ABREAST):
        abreast = sheet.cells[begin : begin + STEPS_ABREAST]
        numbers = range(begin + 1, begin + 1 + len(abreast))
        made = table(">track", *(f">{number} {word}" for number in numbers for word in ("found", "left", "±")))
        for track in sheet.tracks:
            made.add_row(str(track), *(text for cells in abreast for text in _cell(cells.get(track))))
        show(made)


def _cell(cell: tuple[LoggedTrim, LoggedTrim] | None) -> tuple[str, str, str]:
    if cell is None:
        return UNKNOWN, UNKNOWN, ""
    first, last = cell
    mark = "!" if last.trim.within_tolerance is False else ""
    return found_of(first.trim), f"{mark}{left_of(last.trim)}", error_and_kind_of(last.trim)
