"""The page in the engines of Firefox and Safari: a real daemon, live frames, a button and its answer, no complaint."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from tests.page import engines
from tests.page.rooms import PracticeDaemon

OPENERS: dict[str, Callable[[Path], AbstractContextManager[engines.Engine]]] = {
    "firefox": engines.gecko,
    "webkit": engines.webkit,
}


@pytest.mark.parametrize("name", OPENERS)
def test_the_page_lives_in_other_engines(name: str, daemon: PracticeDaemon, tmp_path: Path) -> None:
    with OPENERS[name](tmp_path) as engine:
        engine.go(daemon.address)
        engines.until(engine, "'painted' in document.body.dataset", "the first frame is painted")
        # Frames are decoded one after another, none is refused, and what they say is on the screen.
        first = engine.ask("trimbridge.link.frame.seconds")
        engines.until(engine, f"trimbridge.link.frame.seconds > {first} + 1", "frames go on")
        assert engine.ask("trimbridge.link.frame.tracks.length") == 8
        assert engine.ask("trimbridge.link.refusedPackets") == 0
        assert engine.ask("trimbridge.trouble") == ""
        engine.ask("trimbridge.link.ask('/practice/tone', 'f', 1000)")
        engines.until(engine, "document.querySelector('.figure .number').dataset.text", "figures are drawn")
        engines.until(engine, "document.querySelector('.status .tone').textContent.includes('kHz')", "a tone is named")
        # Buttons do their work, and say so; and so does the way back.
        was = engine.ask("trimbridge.link.frame.step.number")
        engine.press("[data-command=next]")
        engines.until(engine, f"trimbridge.link.frame.step.number === {was} + 1", "the next step came")
        # What the step is left without is newer than that it was done.
        said = "document.querySelector('.progress .said').textContent"
        engines.until(engine, f"{said} === 'now at the next step' || {said}.includes('is left: ')", "said so")
        engine.press("[data-command=undo]")
        engines.until(engine, f"trimbridge.link.frame.step.number === {was}", "the step is back")
        # Sheets and the other views open.
        engine.press("button.menu")
        engines.until(engine, "document.getElementById('sheet').open", "the menu is open")
        engine.ask("document.getElementById('sheet').close()")
        for view in ("prepare", "run", "log", "trim"):
            engine.ask(f"void trimbridge.open('{view}')")
        engine.press("[data-command=sound]")
        engines.until(engine, "document.querySelector('[data-command=sound]').textContent.includes('on')", "it sounds")
        # Both canvases are drawn: many colours stand in each.
        drawn = (
            "[...document.querySelectorAll('canvas')].every((one) => new Set(one.getContext('2d')"
            ".getImageData(0, 0, one.width, one.height).data).size > 5)"
        )
        assert engine.ask("document.querySelectorAll('canvas').length") == 2
        engines.until(engine, drawn, "strip and tracks are drawn")
        assert engine.ask("trimbridge.faults") == []
        assert engine.complaints() == []


NARROWEST = {"firefox": 390, "webkit": 450}
"""How narrow a phone each can be: the window of WebKitGTK's small browser is never narrower than its tools."""


@pytest.mark.parametrize("name", OPENERS)
def test_phone_and_wall_in_other_engines(name: str, daemon: PracticeDaemon, tmp_path: Path) -> None:
    with OPENERS[name](tmp_path) as engine:
        for layout, path, width, height in (("phone", "", NARROWEST[name], 844), ("wall", "wall", 1920, 1080)):
            engine.go(f"{daemon.address}{path}")
            engine.resize(width, height)
            engines.until(
                engine, f"innerWidth === {width} && innerHeight === {height}", f"it has the size of a {layout}"
            )
            engine.go(f"{daemon.address}{path}")
            engines.until(engine, "'painted' in document.body.dataset", "the first frame is painted")
            assert engine.ask("trimbridge.layoutName") == layout
            engine.ask("trimbridge.link.ask('/practice/tone', 'f', 1000)")
            engines.until(engine, "document.querySelector('.figure .number').dataset.text", "figures are drawn")
            # A fifth of the height, as a person across the room needs it, and nothing pushed out of sight.
            height_px = "document.querySelector('.figure .number path.stroke').getBoundingClientRect().height"
            engines.until(engine, f"{height_px} > innerHeight / 5", "figures are large")
            assert engine.ask("document.documentElement.scrollWidth <= innerWidth")
            out_of_sight = (
                "[...document.querySelectorAll('.part')].map((one) => [one.className, one.getBoundingClientRect()])"
                ".filter(([, box]) => box.left < -1 || box.top < -1 || box.right > innerWidth + 1"
                " || box.bottom > innerHeight + 1 || !box.height).map(([name]) => name)"
            )
            assert engine.ask(out_of_sight) == []
            assert engine.ask("document.querySelectorAll('.commands button').length > 0") is (layout == "phone")
            if layout == "phone":
                was = engine.ask("trimbridge.link.frame.hold.on")
                engine.press("[data-command=hold]")
                engines.until(engine, f"trimbridge.link.frame.hold.on !== {str(was).lower()}", "it is held")
                engine.press("[data-command=hold]")
                engines.until(engine, f"trimbridge.link.frame.hold.on === {str(was).lower()}", "it goes on")
            assert engine.ask("trimbridge.faults") == []
        assert engine.complaints() == []


@pytest.mark.parametrize("name", OPENERS)
def test_a_complaint_would_be_heard(name: str, daemon: PracticeDaemon, tmp_path: Path) -> None:
    with OPENERS[name](tmp_path) as engine:
        engine.go(daemon.address)
        engines.until(engine, "'painted' in document.body.dataset", "the first frame is painted")
        engine.ask("void setTimeout(() => { throw new Error('on purpose') })")
        engines.until(engine, "trimbridge.faults.length", "the fault is noted")
        # Who stands at the machine is told as well.
        engines.until(engine, "document.querySelector('.progress .said').textContent.includes('on purpose')", "told")
