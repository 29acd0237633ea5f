"""Rooms to test the page in: a daemon on the simulated recorder, and a server that shows frames made by hand."""

import re
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path

from bridge.config.load import loads
from bridge.control.inbox import CommandInbox, Request
from bridge.daemon.page import Page
from bridge.daemon.setup import setup_of
from bridge.procedure.judgement import Judgement
from bridge.readings import Frame, Health, Reading, State, StepReading
from tests.system.daemon import Daemon, free_port

PRACTICE = """\
[machine]
name = "Lantern Street practice room"
tracks = 16
track_width_mm = 1.78
track_pitch_mm = 3.30
[[machine.speeds]]
ips = 15
equalization = "iec1"
[tape]
name = "invented tape"
fluxivity_nwb_per_m = 250
fringing_compensated = true
tones = [ { hz = 1000, seconds = 600 }, { hz = 10000, seconds = 600 } ]
[audio]
source = "simulated"
inputs = [ { "1-8" = "1-8" }, { "9-16" = "1-8" } ]
[[step]]
adjustment = "repro level"
tone_hz = 1000
tolerance_db = 0.2
[[step]]
adjustment = "repro high"
tone_hz = 10000
tolerance_db = 0.5
[[step]]
adjustment = "sync level"
tone_hz = 1000
tolerance_db = 0.25
[simulated]
seed = 5
"""
"""An invented scenario."""


class PracticeDaemon(Daemon):
    """`trimbridge run` on the simulated recorder; ``address`` is that of its page."""

    def __init__(
        self,
        folder: Path,
        text: str = PRACTICE,
        page: str = "",
        osc: str = "",
        before: Sequence[str] = (),
        words: Sequence[str] = (),
        port: int = 0,
    ) -> None:
        config = folder / "practice.toml"
        log = folder / "practice.db"
        config.write_text(
            f'{text}[log]\nfile = "{log}"\n[osc]\nport = {free_port()}\n{osc}\n[page]\nport = {port}\n{page}\n',
            encoding="utf-8",
        )
        # What an earlier daemon of this config wrote stands before what this one writes.
        written = config.with_suffix(".out")
        self._from = len(written.read_text(encoding="utf-8")) if written.exists() else 0
        super().__init__(config, before=before, words=words)
        self.log = log
        self.address = ""
        try:
            self.until(self._is_served, "the page is served")
        except BaseException:
            self.stop()
            raise

    def _is_served(self) -> bool:
        found = re.search(r"page: (https?://\S+)", self.output[self._from :])
        if found:
            self.address = found[1]
        return bool(found)


STEP = StepReading(1, 3, "repro level", 1000.0, 15.0, -2.14, 0.2)


def reading(track: int, fine_db: float = 0.0, state: State = "tone", spread_db: float = 0.03) -> Reading:
    """A reading that agrees with itself."""
    if state == "quiet":
        nan = float("nan")
        return Reading(track, -80.0, -77.9, nan, nan, "quiet", -90.0, -90.0)
    return Reading(track, fine_db - 2.14, fine_db + 0.01, fine_db, spread_db, state, -17.0, -20.0)


def frame(readings: Sequence[Reading], focus: int = 0, **changes: object) -> Frame:
    """A frame captured now, with the tone that its step wants."""
    step = changes.get("step", STEP)
    assert isinstance(step, StepReading)
    values: dict[str, object] = {
        "position_s": 12.0,
        "captured_ns": time.time_ns(),
        "tone_hz": 1.0004 * (step.tone_hz or 1000.0),
        "step": STEP,
        "bank": 1,
        "held": False,
        "focus_track": focus,
        "readings": tuple(readings),
        "health": Health(),
        "tone_s": 30.0,
        "right_tracks": Judgement().judge(readings, step.tolerance_db, 12.0) if step.adjustment != "bias" else (),
    }
    return Frame(**(values | changes))  # type: ignore[arg-type]


class Feeder:
    """The page's server in this process, showing what a test wants, over and over, as a daemon would."""

    def __init__(
        self, folder: Path, page: str = "", text: str = PRACTICE, port: int = 0, frames_per_s: float = 30.0
    ) -> None:
        config = f"{text}[page]\nport = {port}\n{page}\n"
        settings = loads(config, folder / "feeder.toml")
        self.inbox = CommandInbox()
        self.requests: list[Request] = []
        self.answers: dict[type, str | None] = {}
        self._page = Page(settings, setup_of(settings), self.inbox, log=None)
        self._show: tuple[Sequence[Reading] | Callable[[], Sequence[Reading]], int, dict[str, object]] | None = None
        self._period_s = 1.0 / frames_per_s
        self.publishing_s: deque[float] = deque(maxlen=10_000)
        """How long each frame kept who published it."""
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="feeder", daemon=True)
        self._page.start()
        self._thread.start()
        self.port = self._page.port
        self.address = self._page.links.local_address
        self.page = self._page

    def show(
        self, readings: Sequence[Reading] | Callable[[], Sequence[Reading]], focus: int = 0, **changes: object
    ) -> None:
        """Show this from now on, or what is made anew for each frame; each is captured when it is sent."""
        self._show = (readings, focus, changes)

    def rest(self) -> None:
        """Send no frames any more."""
        self._show = None

    def _run(self) -> None:
        due_s = time.monotonic()
        while not self._closing.wait(max(0.0, due_s - time.monotonic())):
            due_s = max(due_s + self._period_s, time.monotonic())
            showing = self._show
            if showing is not None:
                readings, focus, changes = showing
                made = frame(readings() if callable(readings) else readings, focus, **changes)
                began_s = time.perf_counter()
                self._page.sink.publish(made, time.monotonic())
                self.publishing_s.append(time.perf_counter() - began_s)
            for request in self.inbox.take():
                self.requests.append(request)
                request.answer(self.answers.get(type(request.command)))

    def close(self) -> None:
        """Stop."""
        self._closing.set()
        self._thread.join()
        self._page.stop()
