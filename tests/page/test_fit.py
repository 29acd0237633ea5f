"""No text is cut and none lies over another, on any screen, in either theme; and what is touched takes a wet finger."""

import json
import math
import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from bridge.procedure.commands import LogNow
from bridge.readings import Health, Reading, StepReading
from tests.page.conftest import OpenPage
from tests.page.rooms import PRACTICE, Feeder, PracticeDaemon, reading

SCREENS = [
    (360, 640), (360, 780), (390, 844), (844, 390), (820, 1180), (1024, 768), (768, 1024), (1180, 820), (1920, 1080),
]  # fmt: skip

TOUCH_MM = 12.0
TABLET_PX_PER_MM = 132 / 25.4
"""A tablet of 10.9 inches across its corners with 1180 × 820 CSS pixels: 1437 of them on 10.9 inches."""

PHONE_PX_PER_MM = 6.05
"""A phone of 6.1 inches is 64.5 mm wide on the glass, and has 390 CSS pixels there."""

# Where each text lies, and whether something cuts it: a box that hides what runs over, or the screen itself.
TEXTS = """(scrolls) => {
  const found = [];
  const root = document.querySelector("dialog[open]") ?? document.body;
  const walker = document.createTreeWalker(root, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const owner = node.parentElement;
    if (!node.data.trim() || owner.closest(".unseen, script, noscript, [hidden], dialog:not([open])")) continue;
    if (!owner.checkVisibility({ checkVisibilityCSS: true, checkOpacity: true })) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    // A line leaves room above its capitals, and below its base for the letters that hang.
    const hangs = /[gjpqy,;()]/.test(node.data) ? 0.05 : 0.18;
    for (const line of range.getClientRects()) {
      if (!line.width) continue;
      const box = { left: line.left, right: line.right,
                    top: line.top + 0.15 * line.height, bottom: line.bottom - hangs * line.height };
      let cut = box.left < -1 || box.right > innerWidth + 1 ? "the screen" : "";
      if (!scrolls && (box.top < -1 || box.bottom > innerHeight + 1)) cut ||= "the screen";
      for (let at = owner; at && at !== document.body; at = at.parentElement) {
        const style = getComputedStyle(at);
        if (style.overflowX === "visible" && !/paint|strict|content/.test(style.contain)) continue;
        const edge = at.getBoundingClientRect();
        const isAside = box.left < edge.left - 1 || box.right > edge.right + 1;
        const isBeyond = !scrolls && (box.top < edge.top - 2 || box.bottom > edge.bottom + 2);
        if (isAside || isBeyond) cut ||= at.className || at.tagName;
      }
      found.push({ text: node.data.trim(), cut, box: [box.left, box.top, box.right, box.bottom] });
    }
  }
  return found;
}"""

# Notes where each text on a canvas lies, and how wide the canvas is.
WRITTEN = """() => {
  globalThis.written = new Map();
  const write = CanvasRenderingContext2D.prototype.fillText;
  const clear = CanvasRenderingContext2D.prototype.fillRect;
  CanvasRenderingContext2D.prototype.fillRect = function (x, y, width, height) {
    if (x === 0 && y === 0 && width > 200) written.set(this, []);
    return clear.call(this, x, y, width, height);
  };
  CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
    const { width, actualBoundingBoxLeft: left, actualBoundingBoxRight: right, actualBoundingBoxAscent: up,
            actualBoundingBoxDescent: down } = this.measureText(text);
    if (!written.has(this)) written.set(this, []);
    const ratio = this.getTransform().a;
    written.get(this).push({ text, cut: x - left < -1 || (x + right) * ratio > this.canvas.width + 1 ? "canvas" : "",
                             box: [x - left, y - up, x + right, y + down] });
    return write.call(this, text, x, y);
  };
}"""


def overlaps(texts: list[dict[str, object]]) -> list[str]:
    """Pairs of texts that lie over each other."""
    found = []
    for number, one in enumerate(texts):
        for other in texts[number + 1 :]:
            (left, top, right, bottom), (a, b, c, d) = one["box"], other["box"]  # type: ignore[misc]
            if min(right, c) - max(left, a) > 1 and min(bottom, d) - max(top, b) > 1:
                found.append(f"{one['text']!r} and {other['text']!r}")
    return found


def faults(page: Page, scrolls: bool = False) -> list[str]:
    texts = page.evaluate(TEXTS, scrolls)
    assert len(texts) > 2
    return [f"{text['text']!r} is cut by {text['cut']}" for text in texts if text["cut"]] + overlaps(texts)


def until(page: Page, expression: str) -> None:
    """Wait in the page, which lets no text be run as a script."""
    page.evaluate(
        f"""async () => {{
          for (let tries = 0; tries < 150; tries++) {{
            if ({expression}) return;
            await new Promise((done) => setTimeout(done, 200));
          }}
          throw new Error("it never came");
        }}"""
    )


SCENES = {
    "longest words": (
        [reading(track, -12.34, "settling", 0.12) for track in range(9, 17)],
        {"focus": 12, "step": StepReading(11, 12, "record level", 12_500.0, 7.5, -10.14, 0.25, uncertainty_db=0.56),
         "tone_hz": 12_503.4, "bank": 2, "tape_time": "00:12:34:21"},
    ),
    "24 tracks, another tone, held": (
        [reading(track, 0.4 * (track - 12), "clipped" if track == 5 else "tone") for track in range(1, 25)],
        {"focus": 24, "held": True, "tone_hz": 10_003.0,
         "step": StepReading(1, 3, "repro level", 1000.0, 15.0, -2.14, 0.2, uncertainty_db=0.25)},
    ),
    "another tone, following off": (
        [Reading(track, -3.0, math.nan, math.nan, 0.02, "tone", -17.0, -20.0) for track in range(1, 9)],
        {"focus": 8, "follows": False, "tone_hz": 1000.0,
         "health": Health(message="12500 Hz plays: step 11, record high; following is off"),
         "step": StepReading(11, 12, "record level", 12_500.0, 7.5, -10.14, 0.25, uncertainty_db=0.56)},
    ),
    "bias": (
        [reading(track, -1.0) for track in range(1, 9)],
        {"focus": 3, "step": StepReading(2, 3, "bias", 10_000.0, 15.0, -10.0, 0.2, uncertainty_db=0.25)},
    ),
    "no tone": ([reading(track, state="quiet") for track in range(1, 9)], {"focus": 3, "tone_hz": 0.0}),
}  # fmt: skip


def on_each_screen(page: Page) -> Iterator[str]:
    """Give the page each screen in each theme, as if it were opened there."""
    for width, height in SCREENS:
        page.set_viewport_size({"width": width, "height": height})
        page.evaluate("trimbridge.layoutName = trimbridge.chosenLayout()")
        for theme in ("dark", "light"):
            page.evaluate("(theme) => trimbridge.setTheme(theme)", theme)
            yield f"{width}x{height} {theme}"


@pytest.mark.parametrize("scene", SCENES)
def test_no_text_is_cut_or_covered_while_trimming(feeder: Feeder, open_page: OpenPage, scene: str) -> None:
    readings, changes = SCENES[scene]
    feeder.answers[LogNow] = "track 12 is not steady enough yet: it wanders by 0.31 dB; wait, or hold the tape by hand"
    feeder.show(readings, **changes)  # type: ignore[arg-type]
    found = {}
    page = open_page(feeder.address)
    page.evaluate(WRITTEN)
    page.evaluate("trimbridge.commands.waysBack.push('back to record high at 10 kHz', '/do/focus', 'i', 0)")
    for screen in on_each_screen(page):
        page.evaluate("written.clear(); trimbridge.said = { text: '', isRefusal: false }; trimbridge.open('trim')")
        until(page, "[...written.values()].flat().length > 5 && document.querySelector('.commands button').textContent")
        seen = faults(page)
        page.evaluate("trimbridge.commands.run('log')")
        # The refusal may lie over the tracks for its six seconds; it must be whole itself.
        said = page.locator(".progress .said.notice, #notice.refusal")
        said.wait_for()
        if said.evaluate("(one) => one.scrollWidth > one.clientWidth + 1 || one.scrollHeight > one.clientHeight + 1"):
            seen.append("the refusal is cut")
        box = said.bounding_box()
        assert box is not None
        width = page.viewport_size["width"]  # type: ignore[index]
        if box["x"] < -1 or box["x"] + box["width"] > width + 1 or box["y"] < 0:
            seen.append("the refusal runs over the screen")
        for canvas in page.evaluate("[...written.values()]"):
            seen += [f"{one['text']!r} is cut by {one['cut']}" for one in canvas if one["cut"]] + overlaps(canvas)
        if seen:
            found[screen] = seen
    assert not found, json.dumps(found, indent=1, ensure_ascii=False)


def test_no_text_is_cut_or_covered_while_nothing_is_live(feeder: Feeder, open_page: OpenPage) -> None:
    readings, changes = SCENES["longest words"]
    feeder.show(readings, **changes)  # type: ignore[arg-type]
    page = open_page(feeder.address)
    feeder.rest()
    expect(page.locator("#band")).to_contain_text("last seen")
    # The longest that it says.
    page.evaluate(
        """() => Object.defineProperty(trimbridge.link, "silence",
          { get: () => "trimbridge does not answer: it hangs, or was paused" })"""
    )
    found = {}
    for screen in on_each_screen(page):
        page.evaluate("trimbridge.open('trim')")
        until(
            page, "document.querySelector('.commands button')?.textContent && !document.querySelector('#band').hidden"
        )
        if seen := faults(page):
            found[screen] = seen
    assert not found, json.dumps(found, indent=1, ensure_ascii=False)


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PracticeDaemon]:
    with PracticeDaemon(tmp_path_factory.mktemp("fit"), PRACTICE) as one:
        yield one


def test_no_text_is_cut_or_covered_elsewhere(room: PracticeDaemon, open_page: OpenPage) -> None:
    found = {}
    page = open_page(room.address)
    page.evaluate("trimbridge.link.ask('/practice/tone', 'f', 1000)")
    until(page, "(await trimbridge.link.ask('/do/log', 'i', 3)) === null")
    page.evaluate("trimbridge.link.ask('/do/note', 's', 'The trimmer of track 3 is scratchy: clean it.')")
    until(page, "trimbridge.log.trims.length && trimbridge.log.lines.length")
    for screen in on_each_screen(page):
        for view in ("prepare", "run", "log"):
            page.evaluate("(view) => trimbridge.open(view)", view)
            if seen := faults(page, scrolls=True):
                found[f"{view} {screen}"] = seen
        page.evaluate("trimbridge.open('trim')")
        for sheet in ("menu()", "commands.showTarget()", "commands.showKeys()", "commands.choose('track')",
                      "commands.choose('step')", "commands.choose('bank')", "commands.writeNote()"):  # fmt: skip
            page.evaluate(f"void trimbridge.{sheet}")
            expect(page.locator("dialog")).to_be_visible()
            if seen := faults(page, scrolls=True):
                found[f"{sheet} {screen}"] = seen
            page.keyboard.press("Escape")
            expect(page.locator("dialog")).to_be_hidden()
    assert not found, json.dumps(found, indent=1, ensure_ascii=False)


@pytest.mark.parametrize("scene", SCENES)
def test_practice_trimmers_leave_figure_and_commands_in_sight(feeder: Feeder, open_page: OpenPage, scene: str) -> None:
    readings, changes = SCENES[scene]
    feeder.show(readings, **changes)  # type: ignore[arg-type]
    found = {}
    page = open_page(feeder.address)
    page.evaluate("trimbridge.toggleTrimmers()")
    for screen in on_each_screen(page):
        page.evaluate("trimbridge.open('trim')")
        until(
            page, "document.querySelector('.trimmer button') && document.querySelector('.commands button').textContent"
        )
        # Those that do not fit beside each other are pushed into sight by a finger: their numbers are cut meanwhile.
        seen = [fault for fault in faults(page) if not re.match(r"'[0-9+−]+' is cut", fault)]
        seen += page.evaluate(
            """() => [...document.querySelectorAll(".commands button, .trimmer:first-child button")].filter((one) => {
              const box = one.getBoundingClientRect();
              const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
              return !one.contains(top);
            }).map((one) => `${one.textContent} is covered`)"""
        )
        share = page.evaluate("document.querySelector('.figure .number').getBoundingClientRect().height / innerHeight")
        if share < 0.2:
            seen.append(f"the figure has {share:.0%} of the height")
        if seen:
            found[screen] = seen
    assert not found, json.dumps(found, indent=1, ensure_ascii=False)


def test_a_cut_text_and_a_covered_one_would_be_found(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show([reading(1)], focus=1)
    page = open_page(feeder.address)
    assert faults(page) == []
    page.evaluate("document.querySelector('.step .name').textContent = 'a very long name '.repeat(9)")
    assert any("is cut by" in fault for fault in faults(page))
    page.evaluate("document.querySelector('.figure .words').style.transform = 'translateY(-200px)'")
    page.evaluate("document.querySelector('.figure .track').style.width = '90vw'")
    page.evaluate("document.querySelector('.figure .track').style.fontSize = '40px'")
    page.evaluate("document.querySelector('.figure .words').style.transform = 'translate(-150px, -150px)'")
    assert any(" and " in fault for fault in faults(page))


@pytest.mark.parametrize(("width", "height"), SCREENS)
def test_what_is_touched_takes_12_mm(room: PracticeDaemon, open_page: OpenPage, width: int, height: int) -> None:
    page = open_page(room.address, width, height)
    needed_px = TOUCH_MM * (PHONE_PX_PER_MM if min(width, height) < 541 else TABLET_PX_PER_MM)
    # 72.6 on a phone, 62.4 on a tablet; a wall screen has fewer pixels to the millimetre, and nobody touches it.
    assert needed_px == pytest.approx(72.6 if min(width, height) < 541 else 62.4, abs=0.05)

    def small(within: str) -> list[str]:
        found: list[str] = page.evaluate(
            """([within, needed]) => [...document.querySelectorAll(`${within} :is(button, summary, input, textarea)`)]
              .filter((one) => one.checkVisibility())
              .map((one) => [one.textContent || one.id || one.tagName, one.getBoundingClientRect()])
              .filter(([, box]) => box.width < needed - 0.5 || box.height < needed - 0.5)
              .map(([text, box]) => `${text}: ${Math.round(box.width)} x ${Math.round(box.height)}`)""",
            [within, needed_px],
        )
        return found

    found = {}
    for view in ("trim", "prepare", "run", "log"):
        page.evaluate("(view) => trimbridge.open(view)", view)
        if seen := small("main"):
            found[view] = seen
    page.evaluate("trimbridge.open('trim')")
    page.evaluate("trimbridge.toggleTrimmers()")
    if seen := small(".trimmers"):
        found["trimmers"] = seen
    for sheet in ("menu()", "commands.choose('track')", "commands.choose('step')", "commands.writeNote()"):
        page.evaluate(f"void trimbridge.{sheet}")
        if seen := small("dialog"):
            found[sheet] = seen
        page.keyboard.press("Escape")
    assert not found, json.dumps(found, indent=1, ensure_ascii=False)


def test_a_phone_is_known_by_its_narrow_side(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show([reading(1)], focus=1)
    touch = "getComputedStyle(document.documentElement).getPropertyValue('--touch').trim()"
    assert open_page(feeder.address, 390, 844).evaluate(touch) == "74px"
    assert open_page(feeder.address, 844, 390).evaluate(touch) == "74px"
    assert open_page(feeder.address, 820, 1180).evaluate(touch) == "64px"
    assert re.fullmatch(r"\d+px", open_page(feeder.address, 1920, 1080).evaluate(touch))
