"""A calibration on paper: a sheet in; one HTML document for the binder beside the machine, complete in itself, out.

It is read at arm's length under a work lamp, in black and white: found and left as figures, and on a short scale where
both lay, so that a column shows at a glance which way the machine has drifted. Nothing in it is fetched from anywhere,
and nothing in it runs.
"""

import math
from datetime import datetime
from html import escape
from typing import Final

from bridge import __version__
from bridge.cli.figures import KINDS, error_and_kind_of, found_of, left_of
from bridge.cli.sheet import Sheet
from bridge.log.queries import LoggedTrim
from bridge.procedure.steps import Step, speed_told
from bridge.ranges import ranges, tracks_named
from bridge.units import UNKNOWN, signed
from bridge.words import TURNED

SHEET_BEGINS: Final = "<!doctype html>\n<!-- trimbridge: calibration sheet -->"

STEPS_ABREAST: Final = 3
"""So many columns of figures with their scales fit A4 upright."""

SCALE_TOLERANCES: Final = 4.0
"""A scale ends at so many tolerances on either side; what lay beyond stands at its end, as an arrow."""

_WIDTH, _HEIGHT, _MIDDLE = 64, 12, 32
_REACH: Final = 27

_TRACK_MM: Final = 12
_COLUMNS_MM: Final = (14, 14, 14, 16)
"""Found, left, standard error with its mark, and scale."""

_STYLE: Final = """
@page { size: A4; margin: 12mm 12mm 14mm; }
* { box-sizing: border-box; }
body { font: 9.5pt/1.35 "DejaVu Sans", Verdana, sans-serif; color: #000; background: #fff; max-width: 186mm;
  margin: 0 auto; padding: 4mm 0; }
h1 { font-size: 15pt; margin: 0; }
h2 { font-size: 10.5pt; margin: 6mm 0 1.5mm; break-after: avoid; }
p { margin: 1mm 0; }
header { border-bottom: 2pt solid #000; padding-bottom: 2mm; }
.verdict { font-size: 11.5pt; font-weight: bold; border: 1.2pt solid #000; padding: 1.5mm 3mm; margin: 3mm 0; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: 0 4mm; margin: 2mm 0; }
dt { font-weight: bold; } dd { margin: 0; }
table { border-collapse: collapse; table-layout: fixed; margin-top: 4mm; font-variant-numeric: tabular-nums; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th, td { padding: 0.5mm 0.8mm; text-align: right; border-bottom: 0.4pt solid #777; white-space: nowrap; }
th { vertical-align: bottom; font-weight: bold; white-space: normal; border-bottom: 1pt solid #000; }
th.step { text-align: left; border-left: 1pt solid #000; font-weight: normal; }
th.step b { display: block; }
td.found { border-left: 1pt solid #000; }
td.left { font-weight: bold; }
td.outside { outline: 1.6pt solid #000; outline-offset: -1.6pt; }
td.missing { text-align: center; border-left: 1pt solid #000; background: repeating-linear-gradient(
  135deg, #fff 0 1.4mm, #ccc 1.4mm 1.7mm); }
td.missing span { background: #fff; padding: 0 1mm; }
tbody tr:nth-child(4n) td, tbody tr:nth-child(4n) th { border-bottom-color: #000; border-bottom-width: 0.8pt; }
tbody th { border-bottom: 0.4pt solid #777; }
svg { width: 14mm; height: 2.7mm; vertical-align: middle; }
ol, ul { margin: 1mm 0; padding-left: 6mm; }
.sign { display: flex; gap: 8mm; margin-top: 9mm; break-inside: avoid; }
.sign span { flex: 1; border-top: 0.6pt solid #000; padding-top: 1mm; font-size: 8.5pt; }
footer { margin-top: 5mm; font-size: 8pt; }
"""


def printed(sheet: Sheet) -> str:
    """Return the sheet as HTML."""
    calibration = sheet.calibration
    title = f"{calibration.machine}: calibration {calibration.id}"
    tables = [_table(sheet, begin) for begin in range(0, len(sheet.steps), STEPS_ABREAST)]
    parts = [
        SHEET_BEGINS,
        '<html lang="en"><head><meta charset="utf-8">',
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">",
        '<meta name="viewport" content="width=device-width">',
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body>",
        _head(sheet),
        *(tables if sheet.tracks else []),
        _remarks(sheet),
        '<div class="sign"><span>done by</span><span>checked by</span><span>next due</span></div>',
        f"<footer>trimbridge {escape(__version__)}. Levels of a steady tone in dB from the step's target; ± is the"
        " standard error of what was left. Times are local.</footer></body></html>",
    ]
    return "\n".join(parts) + "\n"


def _head(sheet: Sheet) -> str:
    calibration = sheet.calibration
    ended = "not ended" if calibration.ended_ns is None else _moment(calibration.ended_ns)
    facts = [
        ("calibration", calibration.id),
        ("begun", _moment(calibration.started_ns)),
        ("ended", ended),
        ("tape", sheet.tape or "not named in the config"),
        ("tracks", ranges(sheet.tracks) or "none"),
    ]
    rows = "".join(f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in facts)
    return (
        f"<header><h1>{escape(calibration.machine)}</h1><dl>{rows}</dl></header>\n"
        f'<p class="verdict">{escape(_verdict(sheet))}</p>\n{_key() if sheet.tracks and sheet.steps else ""}'
    )


def _verdict(sheet: Sheet) -> str:
    """Return in one line what whoever opens the binder wants to know first."""
    if not sheet.tracks or not sheet.steps:
        return "Nothing was logged."
    said = []
    if sheet.missing:
        said.append("Missing: " + "; ".join(map(str, sheet.missing)))
    if sheet.turned_text:
        said.append(f"{TURNED.capitalize()}: {sheet.turned_text}")
    outside = [
        f"{step.adjustment} of {tracks_named(tracks)} (step {number}{speed_told(step, sheet.steps)})"
        for number, (step, cells) in enumerate(zip(sheet.steps, sheet.cells, strict=True), 1)
        if (tracks := sorted(track for track, (_, last) in cells.items() if last.trim.within_tolerance is False))
    ]
    if outside:
        said.append("Outside tolerance: " + "; ".join(outside))
    if not sheet.calibration.ending:
        said.append("The calibration is still open")
    return ". ".join(said) + "." if said else "Complete, everything within tolerance."


def _key() -> str:
    return (
        f"<p>{_scale(None, None, 1.0)} scale: the bar is the tolerance, ○ as found, ● as left, ▸ beyond the scale."
        f" Framed: left outside tolerance. Hatched: missing. {KINDS}."
        " Bias is counted from its peak and has no tolerance.</p>"
    )


def _table(sheet: Sheet, begin: int) -> str:
    steps = sheet.steps[begin : begin + STEPS_ABREAST]
    abreast = sheet.cells[begin : begin + STEPS_ABREAST]
    heads = "".join(
        f'<th class="step" colspan="4" scope="colgroup"><b>{number}. {escape(step.adjustment)}</b>'
        f"{escape(_asked(step))}</th>"
        for number, step in enumerate(steps, begin + 1)
    )
    words = '<th scope="col">found</th><th scope="col">left</th><th scope="col">±</th><th></th>' * len(steps)
    rows = "".join(
        f'<tr><th scope="row">{track}</th>'
        + "".join(_cell(cells.get(track), step) for step, cells in zip(steps, abreast, strict=True))
        + "</tr>\n"
        for track in sheet.tracks
    )
    widths = [_TRACK_MM, *_COLUMNS_MM * len(steps)]
    columns = "".join(f'<col style="width: {mm}mm">' for mm in widths)
    return (
        f'<table style="width: {sum(widths)}mm">{columns}<thead><tr><th rowspan="2" scope="col">track</th>{heads}</tr>'
        f"<tr>{words}</tr></thead>\n"
        f"<tbody>{rows}</tbody></table>"
    )


def _asked(step: Step) -> str:
    target = "" if step.adjustment == "bias" else f"; target {signed(step.target_vu)} VU ±{step.tolerance_db:g} dB"
    return f"{step.tone_hz:g} Hz, {step.speed_ips:g} in/s{target}"


def _cell(cell: tuple[LoggedTrim, LoggedTrim] | None, step: Step) -> str:
    if cell is None:
        return '<td class="missing" colspan="4"><span>missing</span></td>'
    first, last = cell[0].trim, cell[1].trim
    outside = " outside" if last.within_tolerance is False else ""
    scale = _scale(first.as_found_db, last.as_left_db, step.tolerance_db) if last.within_tolerance is not None else ""
    return (
        f'<td class="found">{found_of(first)}</td><td class="left{outside}">{left_of(last)}</td>'
        f"<td>{error_and_kind_of(last)}</td><td>{scale}</td>"
    )


def _scale(found_db: float | None, left_db: float | None, tolerance_db: float) -> str:
    """Return a short scale around the target: the tolerance, a ring where the track was found, a dot where left."""
    half = _REACH / SCALE_TOLERANCES
    marks = [
        f'<line x1="{_MIDDLE - _REACH}" y1="6" x2="{_MIDDLE + _REACH}" y2="6" stroke="#000" stroke-width="0.7"/>',
        f'<rect x="{_MIDDLE - half:.1f}" y="4" width="{2 * half:.1f}" height="4" fill="#999"/>',
        f'<line x1="{_MIDDLE}" y1="2" x2="{_MIDDLE}" y2="10" stroke="#000" stroke-width="0.9"/>',
        _mark(found_db, tolerance_db, 'r="2.9" fill="#fff" stroke="#000" stroke-width="1"'),
        _mark(left_db, tolerance_db, 'r="2.3" fill="#000"'),
    ]
    return f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" aria-hidden="true">{"".join(marks)}</svg>'


def _mark(level_db: float | None, tolerance_db: float, looks: str) -> str:
    if level_db is None or math.isnan(level_db):
        return ""
    at = level_db / (tolerance_db * SCALE_TOLERANCES) * _REACH if tolerance_db > 0.0 else 0.0
    if abs(at) > _REACH:
        end, back = (_WIDTH - 1, _WIDTH - 6) if at > 0.0 else (1, 6)
        return f'<path d="M{end} 6 L{back} 3 L{back} 9 Z" fill="#000"/>'
    return f'<circle cx="{_MIDDLE + at:.1f}" cy="6" {looks}/>'


def _remarks(sheet: Sheet) -> str:
    parts = []
    if sheet.notes:
        notes = "".join(
            f"<li>{_moment(note.at_ns)}: {escape(note.text)}"
            + (f" (after no. {before.sequence}, track {before.trim.track})" if before else "")
            + "</li>"
            for note, before in sheet.notes
        )
        parts.append(f"<h2>Notes</h2><ul>{notes}</ul>")
    if sheet.confirmations:
        confirmed = "".join(
            f"<li>{escape(one.item)}: {escape(one.who) or UNKNOWN}, {_moment(one.confirmed_ns)}</li>"
            for one in sheet.confirmations
        )
        parts.append(f"<h2>Confirmed</h2><ul>{confirmed}</ul>")
    return "\n".join(parts)


def _moment(unix_ns: int) -> str:
    return datetime.fromtimestamp(unix_ns / 1e9).astimezone().strftime("%Y-%m-%d %H:%M")
