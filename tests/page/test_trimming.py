"""The trim view: what is shown for each state, how large, how clear; the past is never shown as the present."""

import math
import re
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from bridge.procedure.commands import Hold, LogNow, NextStep
from bridge.readings import Health, StepReading
from bridge.words import HELD, SPEED_NOW, WAYS
from tests.page.conftest import OpenPage
from tests.page.rooms import PRACTICE, STEP, Feeder, reading

SIZES = [(1180, 820), (820, 1180), (390, 844), (1920, 1080)]
EIGHT = [reading(track, 0.05 * track) for track in range(1, 9)]


def showing(page: Page) -> str:
    return page.locator(".figure .number").get_attribute("data-text") or ""


def size_px(page: Page, selector: str) -> float:
    """The size of its letters."""
    return float(page.locator(selector).evaluate("(one) => parseFloat(getComputedStyle(one).fontSize)"))


def written(page: Page, part: str) -> list[str]:
    """The texts that are drawn on a canvas when it is painted anew."""
    texts: list[str] = page.evaluate(
        """(part) => new Promise((done) => {
          const { drawing } = trimbridge.parts.find(({ element }) => element.classList.contains(part));
          const texts = [];
          const contexts = [drawing.context, drawing.baseContext];
          for (const context of contexts) context.fillText = function (text, ...more) {
            texts.push(text); return CanvasRenderingContext2D.prototype.fillText.call(this, text, ...more); };
          drawing.baseKey = "";
          trimbridge.repaint();
          requestAnimationFrame(() => requestAnimationFrame(() => {
            for (const context of contexts) delete context.fillText;
            done(texts); })); })""",
        part,
    )
    assert texts
    return texts


def shows(page: Page, text: str) -> None:
    expect(page.locator(".figure .number")).to_have_attribute("data-text", text)


@pytest.mark.parametrize(
    ("fine_db", "text", "sign", "words"),
    [
        (0.42, "+0.42", "high", "too high · turn down"),
        (-0.42, "−0.42", "low", "too low · turn up"),
        (0.1, "+0.10", "right", "on target"),
        (-0.2, "−0.20", "right", "on target"),
        (0.0, "0.00", "right", "on target"),
        (-9.98, "−9.98", "low", "too low · turn up"),
        (12.34, "+12.3", "high", "too high · turn down"),
        (-31.0, "−31.0", "low", "too low · turn up"),
    ],
)
def test_sign_size_and_way_of_the_deviation(
    feeder: Feeder, open_page: OpenPage, fine_db: float, text: str, sign: str, words: str
) -> None:
    feeder.show([reading(1, fine_db), *EIGHT[1:]], focus=1)
    page = open_page(feeder.address)
    shows(page, text)
    expect(page.locator(".figure .number")).to_have_attribute("data-sign", sign)
    expect(page.locator(".figure .way")).to_have_text(words)
    # The shape tells it again, without words and without colour.
    assert page.locator(".figure .shape path").count() == 2


def test_bias_is_told_from_its_peak_and_never_judged(feeder: Feeder, open_page: OpenPage) -> None:
    # More bias raises the level up to a peak and lowers it beyond; it is set to a drop from there (handbook).
    step = StepReading(2, 3, "bias", 10_000.0, 15.0, -10.0, 0.2, uncertainty_db=0.25)
    feeder.show([reading(1, 4.5), reading(2, -3.0)], focus=1, step=step)
    page = open_page(feeder.address)
    expect(page.locator(".figure .way")).to_have_text("at its peak so far")
    feeder.show([reading(1, 3.0), reading(2, -3.0)], focus=1, step=step)
    shows(page, "−1.50")
    expect(page.locator(".figure .way")).to_have_text("from its peak")
    expect(page.locator(".figure .number")).to_have_attribute("data-sign", "peak")
    expect(page.locator(".step .of")).to_contain_text("to its peak, then the data sheet's drop")
    expect(page.locator(".tracks canvas")).to_have_attribute(
        "aria-label", "All tracks. 1 1.5 dB under its peak, 2 0.0 dB under its peak"
    )
    for words in ("too high", "too low", "target"):
        expect(page.locator("main")).not_to_contain_text(words)
    # Another step begins without a peak.
    feeder.show([reading(1, 1.0)], focus=1)
    expect(page.locator(".figure .way")).to_have_text("too high · turn down")
    feeder.show([reading(1, 2.0)], focus=1, step=step)
    expect(page.locator(".figure .way")).to_have_text("at its peak so far")


def test_the_uncertainty_of_the_target_stands_beside_it(feeder: Feeder, open_page: OpenPage) -> None:
    sure = StepReading(1, 3, "repro level", 1000.0, 15.0, -2.14, 0.2, uncertainty_db=0.25)
    feeder.show([reading(1, 0.5)], focus=1, step=sure)
    page = open_page(feeder.address)
    expect(page.locator(".step .of")).to_contain_text("target −2.14 ± 0.25 VU")


@pytest.mark.parametrize(
    ("state", "word"),
    [
        ("tone", "tone"),
        ("moving", "turning"),
        ("settling", "settling"),
        ("settled", "settled"),
        ("clipped", "clipping"),
        ("quiet", "no tone"),
    ],
)
def test_each_state_has_its_word(feeder: Feeder, open_page: OpenPage, state: str, word: str) -> None:
    feeder.show([reading(1), reading(2, 0.3, state)], focus=2)  # type: ignore[arg-type]
    page = open_page(feeder.address)
    expect(page.locator(".figure .state")).to_have_text(word)
    if state == "quiet":
        shows(page, "")
        expect(page.locator(".figure .needle")).to_have_text("needle at rest")


def test_the_needle_stands_in_where_there_is_no_fine_level_yet(feeder: Feeder, open_page: OpenPage) -> None:
    early = reading(1, 0.66)
    feeder.show([type(early)(1, -1.4, 0.74, math.nan, math.nan, "tone", -17.0, -20.0)], focus=1)
    page = open_page(feeder.address)
    shows(page, "+0.7")
    expect(page.locator(".figure .needle")).to_have_text("needle −1.4 VU · spread ± …")


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("name", ["", "machine", "wall", "phone"])
def test_figures_fill_a_fifth_of_the_height(
    feeder: Feeder, open_page: OpenPage, width: int, height: int, name: str
) -> None:
    if (width, name) == (390, "wall"):
        return  # a wall screen is no phone
    feeder.show([reading(track, -12.34) for track in range(1, 25)], focus=24)
    page = open_page(f"{feeder.address}{name}", width, height)
    shows(page, "−12.3")
    stroke = page.locator(".figure .number path.stroke")
    box = stroke.bounding_box()
    assert box is not None
    thickness = float(stroke.get_attribute("stroke-width") or 0)
    assert box["height"] + thickness >= 0.2 * height
    part = page.locator(".figure").bounding_box()
    assert part is not None
    assert box["x"] >= part["x"] - 1
    assert box["x"] + box["width"] <= part["x"] + part["width"] + 1
    # Nothing is cut off: the page has no scroll bars, and every part is within the screen.
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, "relative luminance") of a computed colour."""
    channels = [int(number) / 255 for number in re.findall(r"\d+", colour)[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, "contrast ratio")."""
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", ["dark", "light"])
def test_contrast_of_what_matters_is_7(feeder: Feeder, open_page: OpenPage, theme: str) -> None:
    # White on black is 21:1 by definition (WCAG 2.2): the arithmetic of this test is right.
    assert contrast("rgb(255, 255, 255)", "rgb(0, 0, 0)") == pytest.approx(21.0)
    feeder.show([reading(1, 0.5), reading(2, -0.5), reading(3), reading(4, state="clipped")], focus=1)
    page = open_page(feeder.address, theme=theme)
    expect(page.locator("html")).to_have_attribute("data-theme", theme)
    found = page.evaluate(
        """() => {
          const ground = (node) => {
            for (let at = node; at; at = at.parentElement) {
              const colour = getComputedStyle(at).backgroundColor;
              if (!/, 0\\)$/.test(colour)) return colour;
            }
          };
          const nodes = [...document.querySelectorAll("main *")].filter((node) =>
            node.checkVisibility() && [...node.childNodes].some((child) => child.nodeType === 3 && child.data.trim()));
          return nodes.filter((node) => !node.closest("button:disabled"))
            .map((node) => [node.textContent, getComputedStyle(node).color, ground(node)]);
        }"""
    )
    assert len(found) > 15
    for text, colour, ground in found:
        assert contrast(colour, ground) >= 7.0, text
    colours = page.evaluate(
        """() => { const style = getComputedStyle(document.documentElement);
          return Object.fromEntries(["ground", "zone", "raised", "ink", "high", "low"].map((name) => {
            const probe = document.createElement("i"); probe.style.color = `var(--${name})`;
            document.body.append(probe); const colour = getComputedStyle(probe).color; probe.remove();
            return [name, colour]; })); }"""
    )
    for name in ("ink", "high", "low"):
        assert contrast(colours[name], colours["ground"]) >= 7.0, name
    assert contrast(colours["ink"], colours["zone"]) >= 7.0


def test_24_tracks_around_one_line(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show([reading(track, (track - 12) / 10) for track in range(1, 25)], focus=3)
    page = open_page(feeder.address)
    label = page.locator(".tracks canvas")
    expect(label).to_have_attribute("aria-label", re.compile(r"1 too low, 2 too low"))
    expect(label).to_have_attribute("aria-label", re.compile(r"12 on target.*24 too high"))
    painted = page.evaluate(
        """() => { const canvas = document.querySelector(".tracks canvas");
          const data = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
          const seen = new Set(); for (let at = 0; at < data.length; at += 4) seen.add(data.slice(at, at + 3).join());
          return seen.size; }"""
    )
    assert painted > 5


def test_step_tone_target_and_time_left(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=1)
    page = open_page(feeder.address)
    expect(page.locator(".step .name")).to_have_text("repro level · 1 kHz")
    expect(page.locator(".step .of")).to_have_text("target −2.14 VU tolerance 0.2 dB 15 in/s step 1 of 3")
    expect(page.locator(".status .tone")).to_have_text("hears 1.000 kHz")
    # The tape's list says 600 s for this tone; it has played for 30 s.
    expect(page.locator(".status .left")).to_have_text("tone 1 of 2 · 9:30 left")


def test_another_tone_than_the_step_wants_stands_out(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=1, tone_hz=10_003.0)
    page = open_page(feeder.address)
    expect(page.locator(".status .tone")).to_have_class(re.compile("notice"))
    expect(page.locator(".status .left")).to_have_text("waits for tone 1 of 2")


def test_the_target_and_its_terms_on_a_tap(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=1)
    page = open_page(feeder.address)
    page.locator(".step .what").click()
    sheet = page.locator("dialog")
    expect(sheet).to_be_visible()
    # 20 lg(250/320) = −2.14: tape and machine of the config, by hand.
    expect(sheet.locator("tr", has_text="fluxivity")).to_contain_text("−2.14 dB")
    expect(sheet.locator("tr", has_text="target")).to_contain_text("−2.14 VU")
    # Beside the terms, how far they can be trusted: the config says nothing else than what is usual, 0.25 dB of
    # fluxivity, and the tape's tones are each other's equals.
    expect(sheet.locator("tr", has_text="uncertainty")).to_contain_text("± 0.25 dB")
    page.keyboard.press("Escape")
    expect(sheet).to_be_hidden()


def test_a_frame_older_than_half_a_second_is_stale(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=1)
    page = open_page(feeder.address)
    expect(page.locator("#band")).to_be_hidden()
    feeder.rest()
    expect(page.locator("#band")).to_contain_text("not live: no frames come")
    expect(page.locator("body")).to_have_class(re.compile("stale"))
    expect(page.locator(".status .may")).to_have_text("not live")
    expect(page.locator(".figure .way")).not_to_be_visible()
    feeder.show(EIGHT, focus=1)
    expect(page.locator("#band")).to_be_hidden()


def test_half_a_second_is_half_a_second(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=1)
    page = open_page(feeder.address)
    expect(page.locator("#band")).to_be_hidden()
    feeder.rest()
    # In the page's own clock: how old the last frame was when the page first said so, and a moment before.
    ages_s = page.evaluate(
        """() => new Promise((done) => { const band = document.getElementById("band"); let before = 0;
             const look = () => { const age = trimbridge.link.ageS;
               if (!band.hidden) return done([before, age]);
               before = age; setTimeout(look, 5); };
             look(); })"""
    )
    # What came before was live: it was not called stale sooner than it was. How late it is called so is the browser's
    # scheduling beyond the 0.05 s between two looks, and no promise of this test.
    assert ages_s[1] >= 0.5


def test_frames_that_come_late_are_stale(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=1)
    page = open_page(feeder.address)
    expect(page.locator("#band")).to_be_hidden()
    # Captured 2 s ago: on the way somebody held them back.
    feeder.show(EIGHT, focus=1, captured_ns=time.time_ns() - 2_000_000_000)
    expect(page.locator("#band")).to_contain_text("not live")


def test_a_lost_source_says_so_with_its_cause(feeder: Feeder, open_page: OpenPage) -> None:
    health = Health(source="lost", message="the interface was unplugged")
    feeder.show([reading(1, state="quiet")], focus=1, health=health)
    page = open_page(feeder.address)
    expect(page.locator("#band")).to_have_text("not live: the source is lost: the interface was unplugged")


def test_a_log_that_refuses_stands_out(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=1, health=Health(log="refusing", message="the disk is full"))
    page = open_page(feeder.address)
    expect(page.locator(".status .may")).to_have_text("LOG REFUSES")
    expect(page.locator(".progress .said")).to_have_text("the disk is full")


def test_another_tone_gets_no_verdict(feeder: Feeder, open_page: OpenPage) -> None:
    none = [replace(one, deviation_db=math.nan, fine_db=math.nan) for one in EIGHT]
    feeder.show(none, focus=1, tone_hz=1001.0, step=StepReading(2, 3, "repro high", 10_000.0, 15.0, -2.14, 0.5))
    page = open_page(feeder.address)
    expect(page.locator(".figure .way")).to_have_text("wrong tone: wants 10 kHz")
    expect(page.locator(".figure .way")).to_have_class(re.compile("notice"))
    expect(page.locator(".figure .number")).to_have_attribute("data-text", "")
    expect(page.locator(".figure .number")).to_have_attribute("data-sign", "none")
    assert "waits" not in written(page, "tracks")


def test_what_does_not_stand_is_no_tone(feeder: Feeder, open_page: OpenPage) -> None:
    swept = [replace(one, deviation_db=math.nan, fine_db=math.nan, state="quiet") for one in EIGHT]
    feeder.show(swept, focus=1, tone_hz=61.67, tone_stands=False)
    page = open_page(feeder.address)
    tone, way = page.locator(".status .tone"), page.locator(".figure .way")
    expect(tone).to_have_text("hears no tone")
    expect(tone).not_to_have_class(re.compile("notice"))
    expect(way).to_have_text("")
    expect(page.locator(".figure .state")).to_have_text("no tone")
    # One that stands is named, and the step's own before it is known to stand.
    feeder.show(swept, focus=1, tone_hz=61.67)
    expect(tone).to_have_text("hears 61.67 Hz")
    expect(way).to_have_text("wrong tone: wants 1 kHz")
    feeder.show(EIGHT, focus=1, tone_stands=False)
    expect(tone).to_have_text("hears 1.000 kHz")
    expect(way).to_have_text("on target")


def test_no_steps(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show([reading(1, 0.3)], focus=1, step=StepReading(0, 0, "", 0.0, 0.0, 0.0, 0.0))
    page = open_page(feeder.address)
    expect(page.locator(".step .name")).to_have_text("no steps")


def test_a_held_calibration_says_so(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=1, held=True)
    page = open_page(feeder.address)
    expect(page.locator(".status .may")).to_have_text("held")
    expect(page.locator("[data-command=hold]")).to_contain_text("Go on")
    # Where the state stands, and large: whoever turns a trimmer now must not believe that it is logged.
    expect(page.locator(".figure .state")).to_have_text("held")
    expect(page.locator(".figure .state")).to_have_class(re.compile("notice"))
    expect(page.locator(".figure .way")).to_have_text("held: nothing logs itself")
    expect(page.locator(".figure .way")).to_have_class(re.compile("notice"))
    assert size_px(page, ".figure .way") >= 32
    assert "held: nothing logs itself" in written(page, "strip")
    assert "waits" not in written(page, "tracks")
    feeder.show(EIGHT, focus=1)
    expect(page.locator(".figure .way")).to_have_text("on target")
    expect(page.locator(".figure .state")).to_have_text("tone")
    assert "held: nothing logs itself" not in written(page, "strip")


def test_a_step_that_stays_whatever_plays_says_so(feeder: Feeder, open_page: OpenPage) -> None:
    notice = "10000 Hz plays: step 2, repro high; following is off"
    feeder.show(EIGHT, focus=1, follows=False)
    page = open_page(feeder.address)
    stays = page.locator(".step .stays")
    expect(stays).to_have_text("following is off")
    # Beside the step: there looks who wonders why it does not change.
    assert size_px(page, ".step .stays") >= 28
    expect(page.locator("[data-command=step]")).to_contain_text("stays")
    expect(page.locator(".figure .way")).to_have_text("on target")
    feeder.show(EIGHT, focus=1, follows=False, tone_hz=10_000.0, health=Health(message=notice))
    expect(page.locator(".progress .said")).to_have_text(notice)
    assert size_px(page, ".progress .said") >= 28
    expect(page.locator(".figure .way")).to_have_text("wrong tone: wants 1 kHz")
    feeder.show(EIGHT, focus=1)
    expect(stays).to_have_count(0)
    expect(page.locator("[data-command=step]")).to_contain_text("1 of 3")


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_what_is_said_covers_no_value(feeder: Feeder, open_page: OpenPage, width: int, height: int) -> None:
    feeder.answers[LogNow] = "track 1 is not steady enough yet: it wanders by 0.31 dB; wait, or hold the tape by hand"
    waiting = "not confirmed yet: heads cleaned, heads demagnetised, machine warm"
    feeder.show(EIGHT, focus=1, health=Health(message=waiting))
    page = open_page(feeder.address, width, height)
    said = page.locator(".progress .said")
    covered = """() => { const said = document.querySelector(".progress .said").getBoundingClientRect();
      return [...document.querySelectorAll(".part:not(.progress), .progress > :not(.said)")].filter((one) => {
        const box = one.getBoundingClientRect();
        const [wide, high] = [Math.min(box.right, said.right) - Math.max(box.left, said.left),
                              Math.min(box.bottom, said.bottom) - Math.max(box.top, said.top)];
        return one.checkVisibility({ checkVisibilityCSS: true }) && box.width && wide > 1 && high > 1;
      }).map((one) => one.className); }"""
    expect(said).to_have_text(waiting)
    assert page.evaluate(covered) == []
    # What stays for as long as something is not done leaves the progress in sight.
    expect(page.locator(".progress .rest")).to_be_visible()
    page.evaluate("trimbridge.commands.run('log')")
    expect(said).to_contain_text("hold the tape by hand")
    assert page.evaluate(covered) == []


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_screen_that_is_resized_shows_what_it_shows_when_opened(
    feeder: Feeder, open_page: OpenPage, width: int, height: int
) -> None:
    feeder.show(EIGHT, focus=1)
    buttons = "[...document.querySelectorAll('[data-command]')].map((one) => one.dataset.command).join()"
    fresh = open_page(feeder.address, width, height).evaluate(buttons)
    for before in ((1180, 820), (390, 844)):
        page = open_page(feeder.address, *before)
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_function(f"{buttons} === '{fresh}'")


def test_a_keyboard_on_the_screen_changes_no_layout(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=1)
    page = open_page(feeder.address)
    page.evaluate("void trimbridge.commands.writeNote()")
    page.locator("dialog textarea").focus()
    page.set_viewport_size({"width": 1180, "height": 380})
    page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    assert page.evaluate("trimbridge.layoutName") == "machine"
    page.keyboard.press("Escape")
    # Without the keyboard it is what it says: a low screen.
    page.wait_for_function("trimbridge.layoutName === 'phone'")


@pytest.mark.parametrize(("width", "height"), [(1180, 820), (820, 1180)])
def test_what_is_read_from_two_metres_is_large(feeder: Feeder, open_page: OpenPage, width: int, height: int) -> None:
    feeder.show(EIGHT, focus=1)
    page = open_page(feeder.address, width, height)
    assert size_px(page, ".step .of") >= 28
    assert size_px(page, ".progress .rest") >= 34


@pytest.mark.parametrize(("width", "height", "least_px"), [(1180, 820, 28), (820, 1180, 28), (390, 844, 17)])
def test_what_has_just_happened_is_said_large_and_the_newest_first(
    feeder: Feeder, open_page: OpenPage, width: int, height: int, least_px: float
) -> None:
    standing = Health(message="not confirmed yet: heads cleaned")
    feeder.show(EIGHT, focus=1, health=standing)
    page = open_page(feeder.address, width, height)
    said = page.locator(".progress .said")
    expect(said).to_have_text(standing.message)
    standing_px = size_px(page, ".progress .said")
    page.evaluate("trimbridge.say('now at the next step', false)")
    expect(said).to_have_text("now at the next step")
    # What comes after it is newer.
    feeder.show(EIGHT, focus=1, health=Health(message="track 3 was turned while held: not logged"))
    expect(said).to_have_text("track 3 was turned while held: not logged")
    expect(said).to_have_class(re.compile("notice"))
    assert size_px(page, ".progress .said") >= max(least_px, standing_px)
    # What stood before stands as before.
    feeder.show(EIGHT, focus=1, health=standing)
    page.evaluate("trimbridge.silence()")
    expect(said).to_have_text(standing.message)
    assert size_px(page, ".progress .said") == standing_px
    # A refusal answers whoever looks at this screen.
    feeder.show(EIGHT, focus=2, health=Health(message="samples were lost"))
    expect(page.locator(".figure .track b")).to_have_text("2")
    page.evaluate("trimbridge.say('step 77: there is no step 77', true)")
    feeder.show(EIGHT, focus=1, health=Health(message="samples were lost again"))
    expect(page.locator(".figure .track b")).to_have_text("1")
    expect(said).to_have_text("step 77: there is no step 77")


def test_a_track_that_is_right_and_not_logged_waits(feeder: Feeder, open_page: OpenPage) -> None:
    tracks = [reading(1, 0.7), reading(2, 0.1, "settling"), reading(3, -0.7), reading(4, state="quiet")]
    feeder.show(tracks, focus=1, waiting_tracks=(2,), next_track=3)
    page = open_page(feeder.address)
    # 1 is in focus, 2 is right, 3 and 4 are not: only one of them waits.
    assert written(page, "tracks").count("waits") == 1
    label = page.locator(".tracks canvas")
    expect(label).to_have_attribute("aria-label", re.compile("1 too high, 2 on target, waits to be logged, 3 too low"))
    # Where there is no room for the word there is its sign: more ink than the dash of an untouched track.
    many = [reading(track, 0.7 if track % 2 else 0.1) for track in range(1, 25)]
    feeder.show(many, focus=1, waiting_tracks=tuple(range(2, 25, 2)))
    ink = page.evaluate_handle(
        """() => (track) => { const canvas = document.querySelector(".tracks canvas");
          const [wide, high] = [canvas.width / 24, Math.round(canvas.height * 0.1)];
          const { data } = canvas.getContext("2d").getImageData((track - 1) * wide, canvas.height - high, wide, high);
          let count = 0; for (let at = 0; at < data.length; at += 4) count += data[at] > 128;
          return count; }"""
    )
    page.wait_for_function("(ink) => ink(8) > 4 * ink(9) && ink(9) > 0", arg=ink)


def test_the_next_track_is_the_one_that_the_daemon_names(feeder: Feeder, open_page: OpenPage) -> None:
    step = StepReading(1, 3, "repro level", 1000.0, 15.0, -2.14, 0.2, complete=6, missing_tracks=(2, 7))
    feeder.show(EIGHT, focus=4, step=step, next_track=2, waiting_tracks=(7,))
    page = open_page(feeder.address)
    rest = page.locator(".progress .rest")
    expect(rest).to_have_text("next: track 2")
    assert "next" in written(page, "tracks")
    feeder.show(EIGHT, focus=4, step=step, waiting_tracks=(2, 7))
    expect(rest).to_have_text("all wait to be logged")
    assert "next" not in written(page, "tracks")
    right = [reading(track, 0.02 * track) for track in range(1, 9)]
    feeder.show(right, focus=4, step=replace(step, complete=8, missing_tracks=()))
    expect(rest).to_have_text("all done here")


def test_where_all_is_logged_it_says_what_is_outside(feeder: Feeder, open_page: OpenPage) -> None:
    logged = replace(STEP, complete=8, missing_tracks=())
    outside = [reading(track, 0.5 if track in (1, 5, 7, 8) else 0.05) for track in range(1, 9)]
    feeder.show(outside, focus=4, step=logged)
    page = open_page(feeder.address)
    rest = page.locator(".progress .rest")
    expect(page.locator(".progress")).to_contain_text("8 of 8 logged")
    expect(rest).to_have_text("outside: 1, 5, 7, 8")
    # While no tone says how they are, the log does.
    feeder.show([reading(track, state="quiet") for track in range(1, 9)], focus=4, step=logged, tone_hz=0.0)
    expect(rest).to_have_text("all done here")
    page.evaluate(
        """async () => { await trimbridge.readLog();
          trimbridge.readLog = async () => {}; // it forgets what is not in the log
          trimbridge.byTrack.set("1 6", { as_left_db: 0.4, resolution_db: 0.01, within_tolerance: false });
          trimbridge.repaint(); }"""
    )
    expect(rest).to_have_text("outside: 6")
    # More than can be read at a glance is counted.
    many = [reading(track, 0.5 if track % 2 else 0.05) for track in range(1, 25)]
    feeder.show(many, focus=4, step=replace(logged, complete=24))
    expect(rest).to_have_text("outside: 13 tracks")
    # Nobody judges a bias.
    feeder.show(outside, focus=4, step=replace(logged, number=3, adjustment="bias"))
    expect(rest).to_have_text("all done here")


def test_the_verdict_is_the_one_of_the_daemon(feeder: Feeder, open_page: OpenPage) -> None:
    at_the_edge = [reading(1, 0.21), reading(2, 0.19), reading(3, -0.21), reading(4, -0.19)]
    feeder.show(at_the_edge, focus=1, right_tracks=(1, 3))
    page = open_page(feeder.address)
    expect(page.locator(".figure .way")).to_have_text("on target")
    label = page.locator(".tracks canvas")
    expect(label).to_have_attribute(
        "aria-label", "All tracks. 1 on target, 2 not sure yet, 3 on target, 4 not sure yet"
    )
    # What reads within the tolerance and is not judged so yet is neither on target nor to be turned.
    feeder.show(at_the_edge, focus=2, right_tracks=(1, 3))
    unsure = WAYS["unsure"]
    expect(page.locator(".figure .way")).to_have_text(f"{unsure.said} · {unsure.turn}")
    expect(page.locator(".figure .number")).to_have_attribute("data-sign", "unsure")
    feeder.show([reading(1), reading(2, 0.21)], focus=2, right_tracks=(1,))
    expect(page.locator(".figure .way")).to_have_text(re.compile("too high"))


def test_what_stands_side_by_side_has_as_many_decimals(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=8)
    page = open_page(feeder.address)
    page.evaluate(
        """async () => { await trimbridge.readLog();
          trimbridge.readLog = async () => {}; // it forgets what is not in the log
          const trim = (track, left, resolution) => trimbridge.byTrack.set(`1 ${track}`,
            { as_left_db: left, resolution_db: resolution, within_tolerance: true });
          trim(1, 0.004, 0.01); trim(2, 0.02, 0.1); trim(3, -0.12, 0.02); trimbridge.repaint(); }"""
    )
    # 0.00, 0.0 and −0.12 by themselves; the coarsest carries one decimal.
    assert written(page, "tracks")[1:6:2] == ["✓ 0.0", "✓ 0.0", "✓ −0.1"]
    page.evaluate("trimbridge.byTrack.delete('1 2'); trimbridge.repaint()")
    assert {"✓ 0.00", "✓ −0.12"} <= set(written(page, "tracks"))


def test_a_target_has_as_many_decimals_as_its_uncertainty(feeder: Feeder, open_page: OpenPage) -> None:
    far = StepReading(1, 3, "repro level", 1000.0, 15.0, -10.14, 0.2, uncertainty_db=0.25)
    feeder.show(EIGHT, focus=1, step=far)
    expect(open_page(feeder.address).locator(".step .of")).to_contain_text("target −10.14 ± 0.25 VU")


def test_nothing_is_asked_of_a_daemon_that_is_not_heard(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=1, health=Health(message="the playback level was moved"))
    page = open_page(feeder.address)
    page.evaluate("trimbridge.say('track 7 logged', false)")
    said = page.locator(".progress .said")
    expect(said).to_have_text("track 7 logged")
    feeder.rest()
    expect(page.locator("#band")).to_contain_text("not live")
    # What was said is the past.
    expect(said).to_have_text("")
    expect(page.locator("#spoken")).to_have_text("")
    expect(page.locator(".status .role")).to_have_text("cannot command")
    expect(page.locator(".progress .rest")).not_to_be_visible()
    for name in ("next", "hold", "log", "repeat", "note", "track"):
        button = page.locator(f"[data-command={name}]")
        expect(button).to_have_attribute("aria-disabled", "true")
        expect(button).to_have_css("border-style", "dashed")
    expect(page.locator("[data-command=sound]")).not_to_have_attribute("aria-disabled", "true")
    page.locator("[data-command=next]").click(force=True)
    expect(said).to_contain_text("not done, the page is not live: ")
    page.keyboard.press("h")
    page.evaluate("trimbridge.commands.do('a note', '/do/note', 's', ['from another view'])")
    # In the other views, too.
    page.evaluate("trimbridge.open('log')")
    expect(page.get_by_role("button", name="Write a note")).to_have_attribute("aria-disabled", "true")
    expect(page.get_by_role("button", name="Menu")).not_to_have_attribute("aria-disabled", "true")
    page.evaluate("trimbridge.open('trim')")
    expect(page.locator("[data-command=next]")).to_have_attribute("aria-disabled", "true")
    feeder.show(EIGHT, focus=1)
    expect(page.locator("#band")).to_be_hidden()
    expect(page.locator("[data-command=next]")).not_to_have_attribute("aria-disabled", "true")
    expect(page.locator(".status .role")).to_have_text("may command")
    page.locator("[data-command=hold]").click()
    expect(said).to_have_text(HELD)
    assert [type(request.command) for request in feeder.requests] == [Hold]


def test_frames_that_come_seldom_are_no_silence(tmp_path: Path, open_page: OpenPage) -> None:
    feeder = Feeder(tmp_path, text=f"{PRACTICE}[osc]\nframes_per_s = 1\n", frames_per_s=1.0)
    try:
        feeder.show(EIGHT, focus=1)
        page = open_page(feeder.address)
        # Over four frames, looked at all the time.
        said = page.evaluate(
            """() => new Promise((done) => { const said = new Set(); const { link } = trimbridge; let frames = 0;
              const timer = setInterval(() => said.add(link.trouble), 10);
              link.on("frame", () => { if (++frames > 4) { clearInterval(timer); done([...said]); } }); })"""
        )
        assert said == [""]
        # Where none comes any more it is.
        feeder.rest()
        expect(page.locator("#band")).to_contain_text("not live: no frames come")
    finally:
        feeder.close()


def test_what_was_asked_is_asked_again_of_the_same_daemon_alone(tmp_path: Path, open_page: OpenPage) -> None:
    first = Feeder(tmp_path)
    try:
        first.show(EIGHT, focus=1)
        page = open_page(first.address)
        again = """async () => { const { link } = trimbridge; link.abandon();
          const asked = link.ask("/do/next", ""); link.open(); return asked; }"""
        assert page.evaluate(again) is None
        assert [type(request.command) for request in first.requests] == [NextStep]
        page.evaluate("trimbridge.commands.waysBack.push('trim of track 7', '/do/undo', 's', '20261128-1.7')")
        expect(page.locator("[data-command=undo]")).to_contain_text("track 7")
        port = first.port
    finally:
        first.close()
    expect(page.locator("#band")).to_contain_text("trimbridge was stopped")
    page.evaluate("() => { globalThis.asked = trimbridge.link.ask('/do/next', ''); }")
    second = Feeder(tmp_path, port=port)
    try:
        second.show(EIGHT, focus=1)
        assert page.evaluate("globalThis.asked") == "trimbridge was started anew meanwhile: look whether it was done"
        expect(page.locator("#band")).to_be_hidden()
        expect(page.locator("[data-command=undo]")).to_be_disabled()
        expect(page.locator("[data-command=undo]")).not_to_contain_text("track 7")
        assert second.requests == []
    finally:
        second.close()


def test_the_number_of_frames_does_not_grow_the_page(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show(EIGHT, focus=1)
    page = open_page(feeder.address)
    grown = page.evaluate(
        """() => { const { link, trails } = trimbridge; const nodes = document.querySelectorAll("*").length;
          const frame = link.frame; let seconds = frame.seconds;
          for (let at = 0; at < 20000; at++) trails.add({ ...frame, seconds: (seconds += 1 / 30) });
          return [document.querySelectorAll("*").length - nodes, trails.byTrack.size,
                  trails.byTrack.get(1).db.length, link.pending.size]; }"""
    )
    assert grown == [0, 8, 512, 0]


def test_stop_of_the_daemon_is_named_and_a_new_one_is_found(tmp_path: Path, open_page: OpenPage) -> None:
    first = Feeder(tmp_path)
    try:
        first.show(EIGHT, focus=1)
        page = open_page(first.address)
        port = first.port
    finally:
        first.close()
    expect(page.locator("#band")).to_contain_text("trimbridge was stopped")
    again = Feeder(tmp_path, port=port)
    try:
        again.show([reading(1, -0.77)], focus=1)
        expect(page.locator("#band")).to_be_hidden()
        shows(page, "−0.77")
    finally:
        again.close()


def test_step_of_the_frame_is_the_one_of_the_feeder() -> None:
    assert STEP.target_vu == pytest.approx(20 * math.log10(250 / 320), abs=0.005)


TWO_SPEEDS = """\
[machine]
name = "Lantern Street practice room"
tracks = 8
[[machine.speeds]]
ips = 7.5
equalization = "iec1"
[[machine.speeds]]
ips = 15
equalization = "iec1"
[[tape]]
name = "Pier, slow"
speed_ips = 7.5
fringing_compensated = true
[[tape]]
fluxivity_nwb_per_m = 250
fringing_compensated = true
"""


def test_with_several_speeds_the_speed_is_read_from_as_far_as_the_tone(tmp_path: Path, open_page: OpenPage) -> None:
    with closing(Feeder(tmp_path, text=TWO_SPEEDS)) as feeder:
        feeder.show(EIGHT, focus=1, step=replace(STEP, speed_ips=7.5))
        page = open_page(feeder.address, 1180, 820)
        name = page.locator(".step .name")
        expect(name).to_have_text("repro level · 1 kHz · 7.5 in/s")
        expect(page.locator(".step .of")).not_to_contain_text("in/s")
        # Where it does not fit there it comes first, whole.
        page.set_viewport_size({"width": 320, "height": 640})
        expect(name).to_have_text("repro level · 1 kHz")
        expect(page.locator(".step .of span").first).to_have_text("7.5 in/s")
        assert name.evaluate("(it) => it.scrollWidth <= it.clientWidth")
        page.set_viewport_size({"width": 1180, "height": 820})
        expect(name).to_have_text("repro level · 1 kHz · 7.5 in/s")
        feeder.show(EIGHT, focus=1, step=replace(STEP, speed_ips=7.5), tone_hz=0.0)
        expect(page.locator(".status .left")).to_have_text("waits for Pier, slow, tone 1 of 2")
        # What has to be done by hand stands large for as long as it is to be done, in place of the progress.
        wanted = f'7.5{SPEED_NOW}change to the tape "Pier, slow", set speed and equalization; keep every track safe'
        feeder.show(EIGHT, focus=1, step=replace(STEP, speed_ips=7.5), tone_hz=0.0, health=Health(message=wanted))
        said = page.locator(".progress .said")
        expect(said).to_have_text(wanted)
        expect(page.locator(".progress")).to_have_class(re.compile("large"))
        page.reload()
        expect(said).to_have_text(wanted)
        expect(page.locator(".progress")).to_have_class(re.compile("large"))
