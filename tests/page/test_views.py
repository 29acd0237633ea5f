"""Preparation, the run and the log on the real daemon; and that nothing of it fails an accessibility check."""

import re
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from bridge.procedure.preparation import CAUTIONS, PREPARATION
from bridge.readings import Health
from tests.page.conftest import OpenPage
from tests.page.rooms import PRACTICE, Feeder, PracticeDaemon, reading

ONE_STEP = PRACTICE[: PRACTICE.index("[[step]]")] + (
    '[[step]]\nadjustment = "repro level"\ntone_hz = 1000\ntolerance_db = 6.0\n[simulated]\nseed = 5\n'
)


@pytest.fixture
def room(tmp_path: Path) -> Iterator[PracticeDaemon]:
    """A daemon of its own: confirmations and trims are there to stay."""
    with PracticeDaemon(tmp_path, ONE_STEP.replace('inputs = [ { "1-8" = "1-8" }, { "9-16" = "1-8" } ]', "")) as one:
        yield one


def open_view(page: Page, name: str) -> None:
    page.get_by_role("button", name="Menu").first.click()
    page.locator("dialog").get_by_role("button", name=name, exact=True).click()


def test_preparation_in_its_order_with_who_and_when(room: PracticeDaemon, open_page: OpenPage) -> None:
    page = open_page(room.address)
    open_view(page, "Prepare")
    expect(page.locator(".item")).to_have_count(len(PREPARATION))
    for caution in CAUTIONS:
        expect(page.locator(".page")).to_contain_text(caution.title)
        expect(page.locator(".page")).to_contain_text(caution.lines[0])
    threaded = page.locator('[data-item="tape threaded"]')
    expect(threaded.get_by_role("button")).to_be_disabled()
    expect(threaded).to_contain_text("Waits for: monitors down, heads cleaned, heads demagnetised, tracks safe.")
    for place, key in enumerate(["monitors down", "heads cleaned", "heads demagnetised", "tracks safe"]):
        item = page.locator(f'[data-item="{key}"]')
        item.get_by_role("button").click()
        if place == 0:
            # Asked once, remembered on this screen.
            page.locator("dialog input").fill("R. Okafor")
            page.keyboard.press("Enter")
        expect(item).to_contain_text(re.compile(r"✓ confirmed by R\. Okafor, \d\d:\d\d"))
    expect(threaded.get_by_role("button")).to_be_enabled()
    # A slip is taken back, and what waits for it waits again.
    page.locator('[data-item="tracks safe"]').get_by_role("button").click()
    expect(page.locator('[data-item="tracks safe"]')).not_to_contain_text("confirmed by")
    expect(threaded.get_by_role("button")).to_be_disabled()
    # Another screen sees the same, by itself.
    other = open_page(room.address, 390, 844)
    open_view(other, "Prepare")
    expect(other.locator('[data-item="heads cleaned"]')).to_contain_text("confirmed by R. Okafor")
    page.locator('[data-item="tracks safe"]').get_by_role("button").click()
    expect(other.locator('[data-item="tracks safe"]')).to_contain_text("confirmed by R. Okafor")


def test_the_run_fills_and_sums_up(room: PracticeDaemon, open_page: OpenPage) -> None:
    page = open_page(room.address)
    open_view(page, "The run")
    expect(page.locator(".page")).to_contain_text("0 of 16 trims are logged")
    expect(page.locator("tbody tr").first).to_contain_text("all")
    log_track(page, 3)
    row = page.locator("tbody tr").first
    expect(page.locator(".page")).to_contain_text("1 of 16 trims are logged")
    expect(row).to_contain_text("1, 2, 4–16")
    expect(page.locator(".page")).to_contain_text("Practice: how it went")
    # How close, and how long it took: of this trim.
    expect(page.locator("[data-practice]")).to_have_text(
        re.compile(r"repro level, 1 kHz3\d+\.\d\d dB\d+\.\d\d dB ✓\d+ s")
    )
    for track in (1, 2, *range(4, 17)):
        log_track(page, track)
    expect(page.locator(".page")).to_contain_text("16 of 16 trims are logged; everything is right")
    expect(row).to_contain_text("nothing")
    page.get_by_role("button", name="Finish it").click()
    expect(page.locator("dialog")).to_contain_text("Nothing is missing.")
    page.locator("dialog").get_by_role("button", name="Finish it", exact=True).click()
    # What comes after belongs to a new calibration.
    expect(page.locator(".page")).to_contain_text("0 of 16 trims are logged")
    expect(page.locator(".page")).to_contain_text(re.compile(r"Calibration \d{8}-2\."))


def test_whoever_finishes_knows_what_is_missing(room: PracticeDaemon, open_page: OpenPage) -> None:
    page = open_page(room.address)
    log_track(page, 3)
    log_track(page, 9)
    page.evaluate("trimbridge.commands.undo()")
    open_view(page, "The run")
    expect(page.locator(".page")).to_contain_text("1 of 16 trims are logged")
    dialog = page.locator("dialog")
    page.get_by_role("button", name="Finish it").click()
    expect(dialog.locator(".what")).to_be_visible()
    expect(dialog.locator("h3")).to_have_text("Without as found and as left")
    expect(dialog.locator("li")).to_have_text("repro level: 1, 2, 4–16")
    expect(dialog.locator(".what")).to_contain_text("It ends as it is: the log and the report name what is missing")
    expect(dialog.locator(".what")).to_contain_text("It cannot be resumed, and this cannot be undone.")
    dialog.get_by_role("button", name="Not yet").click()
    expect(page.locator(".page")).to_contain_text(re.compile(r"Calibration \d{8}-1\."))
    page.get_by_role("button", name="Finish it").click()
    dialog.get_by_role("button", name="Finish it incomplete").click()
    expect(page.locator(".page")).to_contain_text(re.compile(r"Calibration \d{8}-2\."))


def log_track(page: Page, track: int) -> None:
    """Log a track by hand as soon as it is steady enough."""
    page.evaluate(
        """async (track) => {
          for (let tries = 0; tries < 200; tries++) {
            if ((await trimbridge.link.ask("/do/log", "i", track)) === null) return;
            await new Promise((done) => setTimeout(done, 200));
          }
          throw new Error("never steady");
        }""",
        track,
    )


def test_the_log_shows_trims_and_withdraws_them(room: PracticeDaemon, open_page: OpenPage) -> None:
    page = open_page(room.address)
    open_view(page, "Log")
    expect(page.locator(".page")).to_contain_text("No trim is logged yet.")
    log_track(page, 7)
    row = page.locator("tr[data-trim]")
    expect(row).to_have_count(1)
    expect(row).to_contain_text("repro level, 1 kHz")
    expect(row).to_contain_text("✓")
    row.get_by_role("button").click()
    expect(row).to_contain_text("withdrawn by page 127.0.0.1")
    expect(row).to_have_class("withdrawn")
    # What was withdrawn by mistake stands again, and that can be undone, too.
    row.get_by_role("button", name="Reinstate trim 1").click()
    expect(row.get_by_role("button", name="Withdraw trim 1")).to_be_visible()
    expect(row).not_to_have_class("withdrawn")
    page.evaluate("trimbridge.commands.undo()")
    expect(row).to_have_class("withdrawn")
    expect(row.get_by_role("button", name="Reinstate trim 1")).to_be_visible()


def test_the_log_tells_kind_and_error_and_no_digit_more(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show([reading(1)], focus=1)
    page = open_page(feeder.address)
    page.evaluate("trimbridge.readLog()")  # what is read later would stand in place of what is shown here
    trim = {
        "number": 1, "step": 1, "track": 3, "adjustment": "repro level", "tone_hz": 1000.0, "speed_ips": 15.0,
        "as_found_db": -1.234, "as_left_db": 0.037, "tolerance_db": 0.2, "within_tolerance": True, "seconds": 7.0,
        "settled_s": 1e9, "withdrawn_by": None, "origin": "automatic", "id": "20261128-1.1",
    }  # fmt: skip
    for kind, error_db, resolution_db, found, left, said in (
        ("trim", 0.004, 0.01, "−1.23", "+0.04", "± 0.01"),
        ("undone", 0.016, 0.02, "−1.24", "+0.04", "± 0.02"),
        ("verified", 0.08, 0.1, "−1.2", "0.0", "± 0.08"),
        ("by hand", None, 0.05, "−1.25", "+0.05", ""),
    ):
        page.evaluate(
            """(trim) => { trimbridge.log = { trims: [trim], lines: [], confirmations: [], calibration: null };
                           trimbridge.open("log"); }""",
            trim | {"kind": kind, "standard_error_db": error_db, "resolution_db": resolution_db},
        )
        cells = page.locator("tr[data-trim] td")
        words = {"trim": "", "undone": " put back"} | {kind: f" {kind}" for kind in ("verified", "by hand")}
        expect(cells.nth(2)).to_have_text(f"repro level, 1 kHz{words[kind]}")
        expect(cells.nth(3)).to_have_text(found)
        expect(cells.nth(4)).to_have_text(f"{left} ✓ {said}".strip())
    # Where there are several speeds it says at which.
    page.evaluate("trimbridge.setup.steps[2].speed_ips = 7.5; trimbridge.open('log')")
    expect(page.locator("tr[data-trim] td").nth(2)).to_have_text("repro level, 1 kHz, 15 in/s by hand")


@pytest.mark.parametrize("theme", ["dark", "light"])
@pytest.mark.parametrize(("width", "height"), [(1180, 820), (390, 844)])
def test_axe_finds_nothing(
    daemon: PracticeDaemon, open_page: OpenPage, axe: str, theme: str, width: int, height: int
) -> None:
    page = open_page(daemon.address, width, height, theme, bypass_csp=True)
    log_track(page, 1)
    page.evaluate(axe)
    for view in ("trim", "prepare", "run", "log"):
        page.evaluate("(view) => trimbridge.open(view)", view)
        assert violations(page) == [], view
    page.evaluate("trimbridge.open('trim')")
    for sheet in ("menu()", "commands.showTarget()", "commands.showKeys()", "commands.choose('track')"):
        page.evaluate(f"void trimbridge.{sheet}")
        expect(page.locator("dialog")).to_be_visible()
        assert violations(page) == [], sheet
        page.keyboard.press("Escape")
    page.evaluate("trimbridge.toggleTrimmers()")
    expect(page.locator(".trimmer").first).to_be_visible()
    assert violations(page) == []


def violations(page: Page) -> list[str]:
    found: list[str] = page.evaluate(
        """async () => (await axe.run({ runOnly: ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"] }))
             .violations.map((one) => `${one.id}: ${one.nodes.map((node) => node.target.join(" ")).join(", ")}`)"""
    )
    return found


def test_axe_would_find_something(feeder: Feeder, open_page: OpenPage, axe: str) -> None:
    feeder.show([reading(1)], focus=1)
    page = open_page(feeder.address, bypass_csp=True)
    page.evaluate(axe)
    page.evaluate("document.body.append(document.createElement('button'))")
    assert any(found.startswith("button-name") for found in violations(page))


@contextmanager
def bench(folder: Path, layout: str) -> Iterator[Feeder]:
    """A page with a layout of one's own, at /bench."""
    (folder / "bench.toml").write_text(layout, encoding="utf-8")
    with closing(Feeder(folder, 'layouts = ["bench.toml"]')) as feeder:
        yield feeder


def test_layout_of_ones_own(tmp_path: Path, open_page: OpenPage) -> None:
    layout = (
        'title = "Bench"\nviews = ["trim"]\ntheme = "light"\ncommands = ["next"]\n'
        'landscape = [ { height = 80, parts = ["figure"] }, { height = 20, parts = ["commands"] } ]\n'
        'portrait = [ { height = 80, parts = ["figure"] }, { height = 20, parts = ["commands"] } ]\n'
    )
    with bench(tmp_path, layout) as feeder:
        feeder.show([reading(1, 0.5)], focus=1)
        page = open_page(f"{feeder.address}bench")
        expect(page.locator(".part")).to_have_count(2)
        expect(page.locator("[data-command]")).to_have_count(1)
        expect(page.locator("html")).to_have_attribute("data-theme", "light")
        high = page.locator(".figure").bounding_box()
        assert high is not None
        assert high["height"] == pytest.approx(0.8 * 820, rel=0.03)


def test_the_buttons_that_hold_and_stay_are_pressed_while_it_is_so(tmp_path: Path, open_page: OpenPage) -> None:
    layout = (
        'title = "Bench"\nviews = ["trim"]\ncommands = ["hold", "follow"]\n'
        'landscape = [ { height = 100, parts = ["commands"] } ]\n'
        'portrait = [ { height = 100, parts = ["commands"] } ]\n'
    )
    with bench(tmp_path, layout) as feeder:
        feeder.show([reading(1, 0.5)], focus=1)
        page = open_page(f"{feeder.address}bench")
        hold, follow = page.locator("[data-command=hold]"), page.locator("[data-command=follow]")
        expect(follow).to_contain_text("Stay")
        expect(follow).to_have_attribute("aria-pressed", "false")
        expect(hold).to_have_attribute("aria-pressed", "false")
        feeder.show([reading(1, 0.5)], focus=1, follows=False, held=True)
        expect(follow).to_contain_text("Follow")
        expect(follow).to_have_attribute("aria-pressed", "true")
        expect(hold).to_have_attribute("aria-pressed", "true")


def test_theme_is_remembered_on_the_screen(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show([reading(1)], focus=1)
    page = open_page(feeder.address, theme="dark")
    page.get_by_role("button", name="Menu").click()
    page.locator("dialog").get_by_role("button", name="Light").click()
    expect(page.locator("html")).to_have_attribute("data-theme", "light")
    page.reload()
    expect(page.locator("html")).to_have_attribute("data-theme", "light")


def test_what_went_wrong_is_counted_for_all_to_see(feeder: Feeder, open_page: OpenPage) -> None:
    health = Health(
        overruns=3, lost_frames=512, declined_commands=7, lost_connections=5, message="the disk is nearly full"
    )
    feeder.show([reading(1)], focus=1, health=health)
    page = open_page(feeder.address)
    page.evaluate("trimbridge.link.receive(new ArrayBuffer(3))")
    open_view(page, "What went wrong")
    sheet = page.locator("dialog")
    expect(sheet).to_contain_text("Now: the disk is nearly full.")
    for words, count in (
        ("samples came faster than they were read", "3"),
        ("samples of each input that were lost", "512"),
        ("commands that could not be done", "7"),
        ("screens and programs that went away without a good-bye or were cut off", "5"),
        ("packets that this page could not read", "1"),
        ("faults of this page", "0"),
    ):
        expect(sheet.locator("tr", has_text=words).locator("td").last).to_have_text(count)


def test_a_page_that_was_frozen_all_night_finds_the_new_daemon(tmp_path: Path, open_page: OpenPage) -> None:
    first = Feeder(tmp_path)
    try:
        first.show([reading(1, 0.5)], focus=1)
        page = open_page(first.address)
        port = first.port
        session = page.context.new_cdp_session(page)
        # What a tablet does with a page whose screen is dark: nothing of it runs.
        session.send("Page.setWebLifecycleState", {"state": "frozen"})
    finally:
        first.close()
    again = Feeder(tmp_path, port=port, text=ONE_STEP)
    try:
        again.show([reading(1, -0.77)], focus=1)
        session.send("Page.setWebLifecycleState", {"state": "active"})
        expect(page.locator(".figure .number")).to_have_attribute("data-text", "−0.77")
        expect(page.locator("#band")).to_be_hidden()
        # Its steps are those of the new daemon.
        assert page.evaluate("trimbridge.setup.steps.length") == 1
    finally:
        again.close()
