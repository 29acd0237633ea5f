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
        engines.until(engine, "document.querySelector('.progress .said').textContent === 'next step: done'", "said so")
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


@pytest.mark.parametrize("name", OPENERS)
def test_a_complaint_would_be_heard(name: str, daemon: PracticeDaemon, tmp_path: Path) -> None:
    with OPENERS[name](tmp_path) as engine:
        engine.go(daemon.address)
        engines.until(engine, "'painted' in document.body.dataset", "the first frame is painted")
        engine.ask("void setTimeout(() => { throw new Error('on purpose') })")
        engines.until(engine, "trimbridge.faults.length", "the fault is noted")
        # Who stands at the machine is told as well.
        engines.until(engine, "document.querySelector('.progress .said').textContent.includes('on purpose')", "told")
