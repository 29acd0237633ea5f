"""Every control does its work on the real daemon, says what became of it, and can be undone."""

import re
import time
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from bridge.procedure.commands import LogNow, NextStep
from bridge.words import STAYING
from tests.page.conftest import OpenPage
from tests.page.rooms import Feeder, PracticeDaemon, reading
from tests.system.daemon import Ear, message

TONE_S = 30_000


def said(page: Page, text: str | re.Pattern[str]) -> None:
    expect(page.locator(".progress .said")).to_contain_text(text)


def spoken(page: Page, text: str) -> None:
    """For what may come with news of the daemon: on the screen the newest takes the line."""
    expect(page.locator("#spoken")).to_have_text(text)


def step_is(page: Page, number: int) -> None:
    expect(page.locator(".step .of")).to_contain_text(f"step {number} of 3")


def undo_is(page: Page, text: str) -> None:
    button = page.locator("[data-command=undo]")
    expect(button).to_have_text(re.compile(rf"^Undo:\s*{text.removeprefix('Undo: ')}$"))


def press(page: Page, command: str) -> None:
    page.locator(f"[data-command={command}]").click()


@pytest.fixture
def page(daemon: PracticeDaemon, open_page: OpenPage) -> Page:
    """The page, at the first step and bank, nothing chosen."""
    opened = open_page(daemon.address)
    ask(opened, "/do/step", "i", 1)
    ask(opened, "/do/bank", "i", 1)
    ask(opened, "/do/focus", "i", 0)
    ask(opened, "/do/hold", "F")
    ask(opened, "/do/follow", "T")
    step_is(opened, 1)
    return opened


def ask(page: Page, address: str, tags: str, *values: object) -> str | None:
    """Ask the daemon by the page's own connection."""
    refusal: str | None = page.evaluate(
        "([address, tags, values]) => trimbridge.link.ask(address, tags, ...values)", [address, tags, list(values)]
    )
    return refusal


def heard(page: Page) -> None:
    """Wait until the practice tape plays the tone of the first step, steadily."""
    ask(page, "/practice/tone", "f", 1000.0)
    # The tape winds to the announcement first: what is heard until it does is still the tone from before.
    page.evaluate(
        """async () => {
          while (trimbridge.link.frame.tone.s > 0) await new Promise((done) => setTimeout(done, 20));
        }"""
    )
    expect(page.locator(".status .tone")).to_have_text(re.compile(r"hears (0\.99|1\.00)\d kHz"), timeout=TONE_S)
    expect(page.locator(".figure .needle")).to_have_text(re.compile(r"± 0\.\d\d"), timeout=TONE_S)


def test_next_back_and_undo_of_each(page: Page) -> None:
    press(page, "next")
    step_is(page, 2)
    said(page, "now at the next step")
    undo_is(page, "Undo: back to repro level")
    press(page, "undo")
    step_is(page, 1)
    said(page, "now at step 1")
    press(page, "next")
    step_is(page, 2)
    press(page, "back")
    step_is(page, 1)
    said(page, "now at the step before")
    expect(page.locator("[data-command=back]")).to_be_disabled()


def test_step_bank_track_and_path_are_chosen(page: Page) -> None:
    press(page, "step")
    page.get_by_role("button", name="2 · repro high").click()
    step_is(page, 2)
    undo_is(page, "Undo: back to repro level")
    press(page, "step")
    page.get_by_role("button", name="1 · repro level").click()
    step_is(page, 1)
    undo_is(page, "Undo: back to repro high")
    press(page, "path")
    step_is(page, 3)
    press(page, "path")
    step_is(page, 1)
    undo_is(page, "Undo: back to sync level")
    press(page, "bank")
    page.get_by_role("button", name="Bank 2").click()
    expect(page.locator(".progress")).to_contain_text("bank 2 of 2")
    undo_is(page, "Undo: back to bank 1")
    expect(page.locator(".figure .track b")).to_have_text("9")
    press(page, "undo")
    expect(page.locator(".progress")).to_contain_text("bank 1 of 2")
    press(page, "track")
    page.locator("dialog").get_by_role("button", name="6").click()
    expect(page.locator(".figure .track b")).to_have_text("6")
    undo_is(page, "Undo: follow the hand")
    press(page, "undo")
    expect(page.locator("[data-command=track]")).to_contain_text("follows")


def test_a_tap_on_a_column_keeps_the_focus_there(page: Page) -> None:
    box = page.locator(".tracks").bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + box["width"] * 4.5 / 8, box["y"] + box["height"] / 2)
    expect(page.locator(".figure .track b")).to_have_text("5")


def test_hold_and_repeat(page: Page) -> None:
    press(page, "hold")
    expect(page.locator(".status .may")).to_have_text("held")
    undo_is(page, "Undo: go on")
    press(page, "hold")
    expect(page.locator(".status .may")).to_have_text("live")
    undo_is(page, "Undo: hold again")
    press(page, "repeat")
    spoken(page, "the step begins anew")


def test_log_now_and_undo_it(page: Page) -> None:
    heard(page)
    ask(page, "/do/focus", "i", 3)
    expect(page.locator(".figure .track b")).to_have_text("3")
    deadline_s = time.monotonic() + 30
    while refusal := ask(page, "/do/log", "i", 3):
        # On a busy machine the tone may have gaps.
        assert re.search("steady|carries no tone", refusal), refusal
        assert time.monotonic() < deadline_s, refusal
        page.wait_for_timeout(200)
    expect(page.locator(".progress")).to_contain_text("1 of 8 logged")
    said(page, re.compile(r"track 3 logged, left at −1\.\d\d dB: outside by \d\.\d\d dB, tolerance ± 0\.2 dB"))
    undo_is(page, "Undo: trim of track 3")
    # Elsewhere the trim names its step.
    press(page, "next")
    step_is(page, 2)
    press(page, "undo")
    step_is(page, 1)
    ask(page, "/do/next", "")
    step_is(page, 2)
    undo_is(page, "Undo: track 3 of repro level")
    press(page, "undo")
    said(page, "withdrawn: track 3 of repro level")
    ask(page, "/do/back", "")
    expect(page.locator(".progress")).to_contain_text("0 of 8 logged")


def test_a_refusal_is_shown(page: Page) -> None:
    assert ask(page, "/do/step", "i", 77) == "there is no step 77: the steps are 1 to 3"
    page.evaluate("trimbridge.commands.do('step 77', '/do/step', 'i', [77])")
    said(page, "step 77: there is no step 77: the steps are 1 to 3")
    expect(page.locator(".progress .said")).to_have_class(re.compile("notice"))


def test_a_note_is_written_and_taken_back(page: Page) -> None:
    press(page, "note")
    page.locator("dialog textarea").fill("Scratchy trimmer on 4: clean it.")
    page.keyboard.press("Enter")
    said(page, "the note is in the log")
    page.evaluate("trimbridge.open('log')")
    expect(page.locator(".page")).to_contain_text("Scratchy trimmer on 4: clean it.")
    page.evaluate("trimbridge.commands.undo()")
    expect(page.locator(".page")).to_contain_text("taken back: Scratchy trimmer on 4: clean it.")


KEYS: list[tuple[str, Callable[[Page], None]]] = [
    ("ArrowRight", lambda page: step_is(page, 2)),
    ("PageDown", lambda page: step_is(page, 2)),
    ("h", lambda page: expect(page.locator(".status .may")).to_have_text("held")),
    ("Space", lambda page: expect(page.locator(".status .may")).to_have_text("held")),
    ("f", lambda page: expect(page.locator(".step .stays")).to_be_visible()),
    ("r", lambda page: spoken(page, "the step begins anew")),
    ("p", lambda page: step_is(page, 3)),
    ("ArrowDown", lambda page: expect(page.locator("[data-command=track]")).to_contain_text("at 2")),
    ("ArrowUp", lambda page: expect(page.locator("[data-command=track]")).to_contain_text("at 8")),
    ("t", lambda page: expect(page.locator("dialog")).to_contain_text("Which track?")),
    ("b", lambda page: expect(page.locator("dialog")).to_contain_text("Which tracks are patched")),
    ("s", lambda page: expect(page.locator("dialog")).to_contain_text("Which step?")),
    ("n", lambda page: expect(page.locator("dialog")).to_contain_text("Note for the log")),
    ("d", lambda page: expect(page.locator("dialog")).to_contain_text("fluxivity")),
    ("m", lambda page: expect(page.locator("dialog")).to_contain_text("Who may command")),
    ("?", lambda page: expect(page.locator("dialog")).to_contain_text("Page Down (pedal)")),
    ("o", lambda page: expect(page.locator("[data-command=sound]")).to_contain_text("on")),
]


@pytest.mark.parametrize(("key", "happened"), KEYS, ids=[key for key, _ in KEYS])
def test_keyboard_and_pedal(page: Page, key: str, happened: Callable[[Page], None]) -> None:
    ask(page, "/do/focus", "i", 1)
    expect(page.locator("[data-command=track]")).to_contain_text("at 1")
    page.keyboard.press(key)
    happened(page)


def test_back_undo_and_automatic_focus_by_key(page: Page) -> None:
    page.keyboard.press("PageDown")
    step_is(page, 2)
    page.keyboard.press("PageUp")
    step_is(page, 1)
    page.keyboard.press("u")
    step_is(page, 2)
    page.keyboard.press("ArrowDown")
    expect(page.locator("[data-command=track]")).to_contain_text("at ")
    page.keyboard.press("a")
    expect(page.locator("[data-command=track]")).to_contain_text("follows")


def test_two_screens_show_the_same(page: Page, daemon: PracticeDaemon, open_page: OpenPage) -> None:
    other = open_page(daemon.address, 390, 844)
    press(page, "next")
    step_is(page, 2)
    expect(other.locator(".step .name")).to_contain_text("repro high")


def test_a_turn_of_a_practice_trimmer_is_followed_and_logged(page: Page) -> None:
    heard(page)
    # What is turned before the tone has stood for some seconds has no as found.
    page.evaluate(
        """async () => {
          while (!(trimbridge.link.frame.tone.s > 9)) await new Promise((done) => setTimeout(done, 100));
        }"""
    )
    page.evaluate("trimbridge.toggleTrimmers()")
    plus = page.get_by_role("button", name="Track 2 up")
    for _ in range(12):
        plus.click()
    expect(page.locator(".figure .track b")).to_have_text("2", timeout=TONE_S)
    expect(page.locator(".figure .state")).to_have_text(re.compile("turning|settling|settled"), timeout=TONE_S)
    # Left alone, it settles and is logged, with nobody pressing anything.
    page.evaluate("trimbridge.toggleTrimmers()")
    expect(page.locator(".progress .said")).to_contain_text("track 2 logged", timeout=60_000)
    page.evaluate("trimbridge.open('log')")
    row = page.locator("tr[data-trim]").first
    expect(row).to_contain_text("repro level")
    # The way that it went is drawn, too.
    expect(row.locator("svg.trail")).to_be_visible()


def test_the_practice_trimmers_stand_where_they_were_turned_to_by_osc(page: Page, daemon: PracticeDaemon) -> None:
    page.evaluate("trimbridge.toggleTrimmers()")
    screw = page.get_by_role("slider", name="Trimmer of track 5")
    stands = """([least, most]) => { const screw = document.querySelector('.trimmer[data-track="5"] svg');
      const now = Number(screw.getAttribute("aria-valuenow")); return least <= now && now <= most; }"""
    page.wait_for_function(stands, arg=[10, 100])
    before = int(screw.get_attribute("aria-valuenow") or 0)
    slot = screw.locator("path").get_attribute("transform")
    port = int(re.search(r"OSC: commands at 127\.0\.0\.1 port (\d+)", daemon.output)[1])  # type: ignore[index]
    with Ear() as hand:
        hand.send(port, message("/practice/turn", 5, "repro level", 0.1))
        page.wait_for_function(stands, arg=[before + 9, before + 11])
        assert screw.locator("path").get_attribute("transform") != slot
        # A finger on the page goes on from there, and what it turned comes back as where the trimmer stands.
        page.get_by_role("button", name="Track 5 down").click()
        hand.send(port, message("/practice/turn", 5, "repro level", -0.1))
        page.wait_for_function(stands, arg=[before - 1, before + 1])
    # Each step has its own trimmers.
    ask(page, "/do/step", "i", 3)
    step_is(page, 3)
    page.wait_for_function(stands, arg=[10, 100])


def plays(page: Page, hz: float, said: str) -> None:
    ask(page, "/practice/tone", "f", hz)
    expect(page.locator(".status .tone")).to_have_text(re.compile(said), timeout=TONE_S)


def test_the_step_stays_while_following_is_switched_off_and_why_is_said(page: Page) -> None:
    heard(page)
    page.locator(".step button.menu").click()
    page.locator("dialog").get_by_role("button", name="Stay at the step").click()
    said(page, STAYING)
    expect(page.locator(".step .stays")).to_have_text("following is off")
    undo_is(page, "Undo: follow the tape")
    plays(page, 10_000.0, r"hears (9\.9|10)")
    notice = re.compile(r"^(9\d{3}|100\d\d) Hz plays: step 2, repro high; following is off$")
    expect(page.locator(".progress .said")).to_have_text(notice, timeout=TONE_S)
    step_is(page, 1)
    # On again, the tone that plays leads at once.
    press(page, "step")
    expect(page.locator("dialog").get_by_role("button", name="Stay at the step")).to_have_attribute(
        "aria-pressed", "true"
    )
    page.locator("dialog").get_by_role("button", name="Follow").click()
    step_is(page, 2)
    expect(page.locator(".step .stays")).to_be_hidden()
    undo_is(page, "Undo: stay at the step")
    press(page, "undo")
    expect(page.locator(".step .stays")).to_be_visible()


def test_what_happens_by_accident_is_played_from_the_menu(page: Page) -> None:
    heard(page)

    def play(name: str) -> None:
        page.locator(".step button.menu").click()
        page.locator("dialog").get_by_role("button", name=name).click()

    play("Foreign tone 3.15 kHz")
    expect(page.locator(".status .tone")).to_have_text(re.compile(r"hears 3\.1\d"), timeout=TONE_S)
    expect(page.locator(".progress .said")).to_have_text(re.compile("no step wants a tone of 31"), timeout=TONE_S)
    step_is(page, 1)
    play("Play a voice")
    expect(page.locator("#spoken")).to_have_text("it plays now")
    expect(page.locator(".status .tone")).not_to_have_text(re.compile(r"hears 3\.1\d"), timeout=TONE_S)
    heard(page)
    play("All tracks −1 dB")
    expect(page.locator("#spoken")).to_have_text("all tracks have moved")
    play("All tracks as they were")
    expect(page.locator("#spoken")).to_have_text("all tracks are as they were")


def test_what_is_turned_while_held_is_said_and_missing(page: Page) -> None:
    heard(page)
    press(page, "hold")
    expect(page.locator(".status .may")).to_have_text("held")
    # What is turned before the tone has stood for some seconds has no as found.
    page.evaluate(
        """async () => {
          const { s } = trimbridge.link.frame.tone;
          while (!(trimbridge.link.frame.tone.s > s + 9)) await new Promise((done) => setTimeout(done, 100));
        }"""
    )
    for _ in range(4):
        assert ask(page, "/practice/turn", "isf", 4, "repro level", 0.02) is None
    # Text and size in one look: a newer warning may replace it.
    large = """() => { const said = document.querySelector(".progress .said");
      return said.textContent.includes("track 4 was turned while held: not logged")
        && parseFloat(getComputedStyle(said).fontSize); }"""
    assert page.wait_for_function(large, timeout=30_000).json_value() >= 28
    page.evaluate("trimbridge.open('run')")
    page.get_by_role("button", name="Finish it").click()
    dialog = page.locator("dialog")
    expect(dialog.locator(".what")).to_be_visible()
    expect(dialog.locator("li").first).to_contain_text("repro level: ")
    dialog.get_by_role("button", name="Not yet").click()
    # It stands until it is logged.
    page.evaluate("trimbridge.open('trim')")
    unlogged = re.compile(r"^turned and not logged: .*repro level [^;]*\b4\b|^turned and not logged: repro level 4$")
    expect(page.locator(".progress .said")).to_have_text(unlogged, timeout=30_000)
    deadline_s = time.monotonic() + 30
    while refusal := ask(page, "/do/log", "i", 4):
        assert time.monotonic() < deadline_s, refusal
        page.wait_for_timeout(200)
    expect(page.locator(".progress .said")).not_to_have_text(unlogged, timeout=30_000)


def test_a_request_without_an_answer_is_sent_again_and_done_once(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show([reading(1)], focus=1)
    page = open_page(feeder.address)
    # The first sending is lost on the way.
    page.evaluate(
        """() => { const { socket } = trimbridge.link; const send = socket.send.bind(socket); let first = true;
                   socket.send = (packet) => { if (!first) send(packet); first = false; }; }"""
    )
    assert page.evaluate("trimbridge.link.ask('/do/next', '')") is None
    assert [type(request.command) for request in feeder.requests] == [NextStep]


def test_what_the_log_refuses_is_said(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.answers[LogNow] = "the disk is full"
    feeder.show([reading(1)], focus=1)
    page = open_page(feeder.address)
    press(page, "log")
    said(page, "log track 1: the disk is full")


def test_sound_is_off_until_asked_for_and_bounded(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show([reading(1, 0.5)], focus=1)
    page = open_page(feeder.address)
    assert page.evaluate("[trimbridge.sound.isOn, Boolean(trimbridge.sound.context)]") == [False, False]
    press(page, "sound")
    expect(page.locator("[data-command=sound]")).to_contain_text("on")
    loudest = page.evaluate(
        """async () => {
          const { sound } = trimbridge;
          const offline = new OfflineAudioContext(1, 48000, 48000);
          sound.context = offline; sound.volume = 50; sound.isOn = false;
          sound.note(1000, 0.3, 0, 1);
          const samples = (await offline.startRendering()).getChannelData(0);
          return samples.reduce((most, sample) => Math.max(most, Math.abs(sample)), 0);
        }"""
    )
    # However far the volume is turned up, a note stays below −16 dB of full scale: 0.15.
    assert 0.05 < loudest <= 0.151


def test_sound_tells_sign_and_size(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show([reading(1, 0.5)], focus=1)
    page = open_page(feeder.address)
    press(page, "sound")
    heard_notes = page.evaluate(
        """async () => {
          const { sound, link } = trimbridge; const out = {};
          sound.isOn = true;
          for (const [name, db] of [["far", 3], ["near", 0.3], ["below", -3], ["right", 0.05]]) {
            const notes = []; let now = 0;
            const real = sound.context;
            sound.context = { get currentTime() { return now; } };
            sound.note = (hz) => notes.push(hz);
            sound.nextS = 0;
            const frame = structuredClone(link.frame);
            frame.tracks[0].fine = db;
            frame.step.right_tracks = Math.abs(db) <= 0.2 ? "1" : "";
            for (now = 0; now < 3; now += 1 / 60) sound.hear(frame, { link: { trouble: "" }, focusTrack: 1 });
            sound.context = real;
            out[name] = [notes.length, notes[0]];
          }
          return out;
        }"""
    )
    (far, far_hz), (near, near_hz) = heard_notes["far"], heard_notes["near"]
    assert near > far
    assert far_hz == near_hz > heard_notes["right"][1] > heard_notes["below"][1]


def test_a_logged_trim_sounds_unlike_anything_else(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show([reading(1, 0.5)], focus=1)
    page = open_page(feeder.address)
    notes = """() => { const { sound, link } = trimbridge; const notes = []; const note = sound.note;
      sound.note = (hz) => notes.push(hz); sound.nextS = Infinity;
      link.tell("/trim/logged", 1, "repro level", 0.5, 0.01, 0.02, "20261128-1.1");
      sound.note = note; return notes; }"""
    # Off: silence.
    assert page.evaluate(notes) == []
    press(page, "sound")
    expect(page.locator("[data-command=sound]")).to_contain_text("on")
    rising = page.evaluate(notes)
    # Three tones that rise, none of which a deviation ever sounds.
    assert len(rising) == 3
    assert rising == sorted(rising)
    assert not {1320, 330, 660} & set(rising)
    expect(page.locator(".progress .said")).to_have_text("track 1 logged, left at +0.01 dB")


@pytest.mark.parametrize(
    ("left", "tolerance_db", "said_of_it"),
    [
        (-3.1, 0.2, "track 1 logged, left at −3.10 dB: outside by 2.90 dB, tolerance ± 0.2 dB"),
        (0.203, 0.2, "track 1 logged, left at +0.20 dB: outside by less than 0.01 dB, tolerance ± 0.2 dB"),
        (0.18, 0.2, "track 1 logged, left at +0.18 dB"),
    ],
)
def test_a_trim_that_was_left_outside_its_tolerance_says_so(
    feeder: Feeder, open_page: OpenPage, left: float, tolerance_db: float, said_of_it: str
) -> None:
    feeder.show([reading(1, left)], focus=1)
    page = open_page(feeder.address)
    page.evaluate("(left) => trimbridge.link.tell('/trim/logged', 1, 'repro level', -3.5, left, 0.02, '1')", left)
    line = page.locator(".progress .said")
    expect(line).to_have_text(said_of_it)
    assert ("notice" in (line.get_attribute("class") or "")) == (abs(left) > tolerance_db)


def test_steps_of_one_adjustment_are_told_apart_by_their_tones(feeder: Feeder, open_page: OpenPage) -> None:
    feeder.show([reading(1)], focus=1)
    page = open_page(feeder.address)
    names = page.evaluate(
        """async () => { const { stepName } = await import("/page/waysback.js");
          const [one] = trimbridge.setup.steps;
          const steps = [one, { ...one, tone_hz: 100 }, { ...one, adjustment: "repro high", tone_hz: 10000 }];
          return steps.map((step) => stepName(steps, step)); }"""
    )
    assert names == ["repro level at 1 kHz", "repro level at 100 Hz", "repro high"]
