"""The page in a browser: from opening to the first figure, from sample to paint, frames that are dropped, memory.

Run it as `.venv/bin/python -m tools.bench.page [SECONDS]`. The frames are made here, captured when they are sent, so
the block, the interface and the meters come on top. The browser paints without a graphics card.
"""

import math
import random
import statistics
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Browser, CDPSession, Page, sync_playwright

from bridge.readings import Reading
from tests.page.rooms import Feeder, reading
from tools.bench.timing import report

TRACKS, FRAMES_PER_S = 24, 60.0
HOURS = 10.0
SCREENS = 10
FOCUS = 3
OPENINGS = 7


class Tape:
    """Readings as a tape gives them: no two frames are alike, and one trimmer is being turned.

    Invented: a wander of 0.03 dB on each track, as of a worn tape, and a hand that goes to and fro over 2 dB.
    """

    def __init__(self) -> None:
        self._random = random.Random(20_261_128)
        self._frames = 0

    def __call__(self) -> list[Reading]:
        self._frames += 1
        turned_db = math.sin(self._frames / FRAMES_PER_S)
        return [
            reading(track, turned_db, "moving", 0.05)
            if track == FOCUS
            else reading(track, 0.03 * (track - 12) + self._random.gauss(0.0, 0.03), "tone", 0.03)
            for track in range(1, TRACKS + 1)
        ]


WATCH = """() => {
  const app = trimbridge; app.measured = { late: [], between: [], frames: 0, due: 0 };
  let last = 0;
  let counted = 0;
  const turn = (now) => {
    requestAnimationFrame(turn);
    if (app.measured.frames > counted) app.measured.due++;
    counted = app.measured.frames;
    if (last) app.measured.between.push(now - last);
    last = now;
  };
  requestAnimationFrame(turn);
  app.link.on("frame", () => app.measured.frames++);
  app.painted = (frame) => {
    // A message to oneself comes after the picture was handed over.
    const after = new MessageChannel();
    after.port1.onmessage = () =>
      app.measured.late.push(performance.timeOrigin + performance.now() - frame.seconds * 1000);
    after.port2.postMessage(0);
  };
}"""

AGE = """(frames) => {
  const { link } = trimbridge;
  let seconds = link.frame.seconds;
  for (let count = 0; count < frames; count++) {
    const frame = { ...link.frame, seconds: (seconds += 1 / 30) };
    link.tell("frame", frame);
  }
}"""


NOTE_OPENING = """new MutationObserver((_, observer) => {
  if (document.body?.dataset.painted === undefined) return;
  observer.disconnect();
  const after = new MessageChannel();
  after.port1.onmessage = () => (globalThis.openedMs = performance.now());
  after.port2.postMessage(0);
}).observe(document, { subtree: true, childList: true, attributes: true });"""
"""When the first frame is painted, on the page's own clock, which begins with the navigation (High Resolution Time)."""


def opened(browser: Browser, address: str) -> tuple[Page, float, float]:
    """Return a page, how long it took to the first painted frame, and how long by the page's own clock, seconds."""
    page = browser.new_context(viewport={"width": 1180, "height": 820}).new_page()
    page.add_init_script(NOTE_OPENING)
    began_s = time.perf_counter()
    page.goto(address, wait_until="commit")
    page.locator("body[data-painted]").wait_for()
    took_s = time.perf_counter() - began_s
    return page, took_s, float(page.evaluate("openedMs")) / 1000.0


BUSY = {
    "TaskDuration": "the page's own thread at work",
    "ScriptDuration": "of it, in scripts",
    "LayoutDuration": "of it, in layout",
    "RecalcStyleDuration": "of it, in style",
}
"""The browser's own counters of its main thread (Chrome DevTools Protocol, Performance.getMetrics)."""


def busy_s(session: CDPSession) -> dict[str, float]:
    """Return for how long the page's thread has worked so far, seconds, by what it did."""
    metrics = {one["name"]: float(one["value"]) for one in session.send("Performance.getMetrics")["metrics"]}
    return {name: metrics[name] for name in BUSY}


def heap_mb(page: Page) -> float:
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.enable")
    session.send("HeapProfiler.collectGarbage")
    return float(session.send("Runtime.getHeapUsage")["usedSize"]) / 1e6


def main(seconds: float = 60.0) -> None:
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as folder:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        feeder = Feeder(Path(folder), frames_per_s=FRAMES_PER_S)
        try:
            feeder.show(Tape(), focus=FOCUS)
            opening_s = []
            for _ in range(OPENINGS):
                first, *took_s = opened(browser, feeder.address)
                opening_s.append(took_s)
                first.context.close()
            for where, times_s in zip(
                ("from the tool that drives it", "in the browser"), zip(*opening_s, strict=True), strict=True
            ):
                median_s = statistics.median(times_s)
                report(
                    f"opening to first painted frame {where}, s, median of {OPENINGS}", median_s, "< 1", median_s < 1
                )
            page, *_ = opened(browser, feeder.address)
            page.evaluate(WATCH)
            session = page.context.new_cdp_session(page)
            session.send("Performance.enable")
            before = busy_s(session)
            page.wait_for_timeout(1000 * seconds)
            measured = page.evaluate("trimbridge.measured")
            spent = {name: value - before[name] for name, value in busy_s(session).items()}
            pictures = len(measured["late"])
            for name, what in BUSY.items():
                per_ms = 1000.0 * spent[name] / pictures
                report(f"{what} a picture, ms", per_ms, "< 16.7", per_ms < 1000.0 / 60.0)
            came, due = measured["frames"], measured["due"]
            report(f"painted, percent of {due} pictures for which a frame had come", 100 * pictures / due, "100",
                   pictures >= due - 2)  # fmt: skip
            # Of two that come between two pictures only the newer can be seen. That is for the network to answer for.
            report(f"frames that came so close before a newer one, percent of {came}", 100 * (came - due) / came)
            late = sorted(measured["late"])
            median, high = statistics.median(late), late[int(0.95 * len(late))]
            report("sample to painted figure, ms, median", median, "< 50", median < 50)
            report("sample to painted figure, ms, 95th percentile", high, "< 50", high < 50)
            # At 60 a second a picture takes 16.7 ms; one that took half as long again has missed its turn.
            dropped = sum(between > 25.0 for between in measured["between"])
            report(f"pictures missed in {seconds:g} s, of {len(measured['between'])}", dropped, "0", dropped == 0)
            age(page)
            alone_us = publishing_us(feeder)
            screens = [opened(browser, feeder.address)[0] for _ in range(SCREENS)]
            page.wait_for_timeout(5000)
            report("keeping the metering thread, us, 1 screen", alone_us, "< 1000", alone_us < 1000)
            many_us = publishing_us(feeder)
            report(f"keeping the metering thread, us, {len(screens) + 1} screens", many_us, "< 1000", many_us < 1000)
        finally:
            feeder.close()
            browser.close()


def age(page: Page) -> None:
    """Show the page ten hours of frames as fast as it takes them, and compare its memory."""
    frames = int(HOURS * 3600 * 30)
    page.evaluate(AGE, frames // 20)
    before_mb = heap_mb(page)
    for _ in range(10):
        page.evaluate(AGE, frames // 10)
    grown_mb = heap_mb(page) - before_mb
    report(f"memory of the page after {HOURS:g} h of frames, MB more", grown_mb, "< 1", grown_mb < 1)


def publishing_us(feeder: Feeder) -> float:
    """Return how long publishing a frame took, 95th percentile of the newest, microseconds."""
    newest = sorted(list(feeder.publishing_s)[-200:])
    return 1e6 * newest[int(0.95 * len(newest))]


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
