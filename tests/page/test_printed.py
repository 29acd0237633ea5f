"""The sheet for the binder: a log with all that can stand in one, through the command, looked at in Chromium on A4."""

import re
import resource
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from bridge.cli.printed import SHEET_BEGINS
from bridge.log.calibrations import begin_or_resume
from bridge.log.entries import ConfirmationEntry, EventEntry, NoteEntry, TrimEntry
from bridge.log.store import Store
from bridge.log.writing import write_entry
from bridge.procedure.preparation import Confirmation
from bridge.procedure.progress import TRACKS_TOLD
from tests.cli.program import trimbridge
from tests.log.examples import HIGH, LEVEL, LOW, SECOND_NS, START_NS, TRIM, opening

TRACKS = 24
MACHINE = 'Quay <b onmouseover="alert(1)">loft</b> & two-inch (invented)'
CONFIG = """
[machine]
name = "x"
[tape]
name = "House <i>tape</i> 4 (invented)"
fluxivity_nwb_per_m = 250
speed_ips = 15
equalization = "iec1"
"""
NOTE = "track 4: trimmer crackles <script>document.title='caught'</script> & needs [red]cleaning[/red]"


def log_of(path: Path) -> Path:
    """All of level but tracks 7 and 9-10, one of them outside; high of track 3, bias of track 1; low of none."""
    bias = replace(LEVEL, adjustment="bias", tone_hz=10_000.0)
    with closing(Store(path)) as store, store.transaction(lambda: False) as connection:
        calibration = begin_or_resume(
            connection, opening(machine=MACHINE, config=CONFIG, steps=(LEVEL, HIGH, LOW, bias))
        ).calibration
        entries: list[object] = [
            EventEntry(TRACKS_TOLD, "tracks 1-24", START_NS, {"tracks": list(range(1, TRACKS + 1))}),
            NoteEntry(NOTE, START_NS + 40 * SECOND_NS),
            ConfirmationEntry(Confirmation("heads cleaned", "A. <u>N.</u> Other", START_NS)),
        ]
        for track in range(1, TRACKS + 1):
            if track in (7, 9, 10):
                continue
            found_db, left_db = (-1.0 + 0.1 * track if track < 24 else -12.34, 0.004 * track)
            changes = {"as_found_db": found_db, "as_left_db": 0.31 if track == 12 else left_db, "track": track}
            entries.append(TrimEntry(replace(TRIM, machine=MACHINE, standard_error_db=0.01, kind="trim", **changes)))
        high = replace(TRIM, adjustment="repro high", tone_hz=10_000.0, tolerance_db=0.25, as_left_db=-0.11)
        entries.append(TrimEntry(replace(high, machine=MACHINE, standard_error_db=0.01)))
        entries.append(TrimEntry(replace(high, machine=MACHINE, adjustment="bias", track=1, as_left_db=-3.0)))
        for entry in entries:
            write_entry(connection, calibration, entry)  # type: ignore[arg-type]
    return path


@pytest.fixture(scope="module")
def sheet_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    room = tmp_path_factory.mktemp("binder")
    log = log_of(room / "log.db")
    said = trimbridge("report", "--log", log, "--output", room / "sheet.html").stdout
    assert said == f"written: {room / 'sheet.html'}, to be printed from any browser\n"
    return room / "sheet.html"


@pytest.fixture
def sheet(browser: Browser, sheet_file: Path) -> Iterator[Page]:
    """The sheet with scripts allowed: what it must not run must not be there."""
    context = browser.new_context(viewport={"width": 794, "height": 1123})
    wanted: list[str] = []
    page = context.new_page()
    page.on("request", lambda request: wanted.append(request.url))
    page.on("pageerror", lambda error: wanted.append(str(error)))
    page.goto(sheet_file.as_uri())
    yield page
    assert wanted == [sheet_file.as_uri()], "it needs nothing but itself"
    context.close()


def test_every_track_of_every_step_is_there_with_what_it_was_found_and_left_at(sheet: Page) -> None:
    assert sheet.title() == f"{MACHINE}: calibration 20261125-1"
    assert sheet.locator("h1").inner_text() == MACHINE
    rows = sheet.locator("tbody tr").all_inner_texts()
    assert len(rows) == 2 * TRACKS  # four steps, three of them abreast
    cells = [re.split(r"\s+", row.replace("missing", " missing ").strip()) for row in rows]
    assert [row[0] for row in cells] == [str(track) for _ in range(2) for track in range(1, TRACKS + 1)]
    assert cells[0][1:4] == ["−0.90", "+0.00", "0.01"]
    assert cells[2][1:7] == ["−0.70", "+0.01", "0.01", "−0.83", "−0.11", "0.01"]
    assert cells[6][1:] == ["missing"] * 3
    assert cells[11][1:4] == ["+0.20", "+0.31", "0.01"]
    assert sheet.locator("td.outside").all_inner_texts() == ["+0.31"]
    # Without a standard error nobody knows the second decimal.
    assert cells[TRACKS][1:4] == ["−0.85", "−3.00", "—"]
    missing = sheet.locator("td.missing")
    assert missing.count() == 3 + (TRACKS - 1) + TRACKS + (TRACKS - 1)


def test_what_matters_most_stands_first(sheet: Page) -> None:
    verdict = sheet.locator(".verdict").inner_text()
    for said in ("step 1: tracks 7, 9-10", "Outside tolerance: repro level of track 12 (step 1)", "still open"):
        assert said in " ".join(verdict.split()), verdict
    facts = sheet.locator("header dl").inner_text()
    for said in ("20261125-1", "2026-11-25", "House <i>tape</i> 4 (invented), 250 nWb/m, 15 in/s, iec1", "1-24"):
        assert said in facts
    heads = sheet.locator("th.step").all_inner_texts()
    assert "1. repro level" in heads[0]
    assert "1000 Hz, 15 in/s; target −2.14 VU ±0.1 dB" in heads[0]
    assert "target" not in heads[3]  # bias has none


def test_notes_and_confirmations_are_words_and_nothing_else(sheet: Page) -> None:
    lists = sheet.locator("ul").all_inner_texts()
    assert NOTE in lists[0]
    assert "(after no. " in lists[0]
    assert "heads cleaned: A. <u>N.</u> Other" in lists[1]
    assert sheet.locator("script, h1 b, dd i, li u, img, link, iframe").count() == 0


def test_the_scale_has_found_and_left_where_they_lay(sheet: Page) -> None:
    """Track 5: found at −0.5 dB, five tolerances below: an arrow at the lower end; left at 0.02 dB, a fifth of one."""
    row = sheet.locator("tbody tr").nth(4)
    drawn = row.locator("svg").first
    assert drawn.locator("path").count() == 1
    dot = drawn.locator("circle")
    # Four tolerances are 27 units from the middle at 32: a fifth of a tolerance is 1.35.
    assert dot.count() == 1
    assert float(dot.get_attribute("cx") or 0) == pytest.approx(32 + 27 / 4 / 5, abs=0.06)


def test_it_is_made_for_a4(sheet: Page, tmp_path: Path) -> None:
    sheet.emulate_media(media="print")
    # 210 mm less margins of 12 mm at 96 dots an inch.
    assert sheet.evaluate("document.documentElement.scrollWidth") <= 794
    widths = sheet.locator("table").evaluate_all("tables => tables.map(table => table.getBoundingClientRect().width)")
    assert max(widths) <= 186 / 25.4 * 96 + 1
    too_wide = "cells => cells.filter(cell => cell.scrollWidth > cell.clientWidth + 1).map(cell => cell.innerText)"
    assert sheet.locator("td, th").evaluate_all(too_wide) == []
    printed = sheet.pdf(prefer_css_page_size=True)
    pages = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", printed)
    assert {(round(float(width)), round(float(height))) for width, height in pages} == {(595, 842)}  # A4, ISO 216
    assert 1 <= len(pages) <= 3


def test_nothing_that_it_does_not_own_is_written_over(sheet_file: Path) -> None:
    room = sheet_file.parent
    log = room / "log.db"
    before = log.read_bytes()
    refused = trimbridge("report", "--log", log, "--output", log, status=2).stderr
    assert refused == f"trimbridge: {log} is being read and would be written over: name another file\n"
    assert log.read_bytes() == before
    (room / "letter.html").write_text("<!doctype html>\n<p>Dear all")
    refused = trimbridge("report", "--log", log, "-o", room / "letter.html", status=2).stderr
    assert (
        refused == f"trimbridge: {room / 'letter.html'} is there already and holds something else: name another file\n"
    )
    trimbridge("report", "--log", log, "-o", sheet_file)  # its own is renewed
    refused = trimbridge("report", "--log", log, "-o", room / "new.html", "--json", status=2).stderr
    assert refused.count("\n") == 1
    assert not (room / "new.html").exists()


def test_a_sheet_that_cannot_be_written_leaves_the_one_before(sheet_file: Path) -> None:
    before = sheet_file.read_bytes()

    def with_a_small_disk() -> None:
        # A file that would grow beyond it cannot be written: EFBIG (setrlimit(2)).
        _, most = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) - 1, most))

    again = ("report", "--log", sheet_file.with_name("log.db"), "-o", sheet_file)
    refused = trimbridge(*again, status=1, preexec_fn=with_a_small_disk).stderr
    assert refused.count("\n") == 1
    assert sheet_file.read_bytes() == before
    assert [path.name for path in sheet_file.parent.iterdir() if "sheet" in path.name] == ["sheet.html"]
    # By another name of it the sheet itself is renewed, and the other name stays one.
    link = sheet_file.with_name("link.html")
    link.symlink_to(sheet_file)
    trimbridge("report", "--log", sheet_file.with_name("log.db"), "-o", link)
    assert link.is_symlink()
    assert trimbridge("report", "--log", sheet_file.with_name("log.db"), "-o", "/dev/stdout").stdout.startswith(
        SHEET_BEGINS
    )


def test_names_are_no_markup_on_the_terminal_either(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    name = "The [bold]loft[/bold] :cassette: [/red] two-inch"
    with closing(Store(path)) as store, store.transaction(lambda: False) as connection:
        calibration = begin_or_resume(connection, opening(machine=name)).calibration
        write_entry(connection, calibration, TrimEntry(replace(TRIM, machine=name)))
    for command in ("report", "trims"):
        said = trimbridge(command, "--log", path).stdout
        assert f"{name}, calibration 20261125-1" in " ".join(said.split())
