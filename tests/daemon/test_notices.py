"""What the terminal warns of is said on the page, too: the newest, for a while, and not beside what stands anyway."""

import logging
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from bridge.config.load import loads
from bridge.daemon import notices as notices_module
from bridge.daemon.health import DECLINED_S, RESUMED_S, HealthBook
from bridge.daemon.notices import TOLD_S, Notices
from bridge.daemon.service import Service
from bridge.daemon.setup import setup_of
from bridge.procedure.calibration import Calibration
from bridge.procedure.commands import GoToStep
from bridge.words import EVERY_TRACK_SAFE, SPEED_NOW
from tests.daemon.performing import Daemon
from tests.daemon.test_engine import CONFIG, Stumbling
from tests.wire.waiting import wait_until as wait_for

log = logging.getLogger("bridge.somewhere")


class Wide(Stumbling):
    """The same for a bank of eight."""

    inputs = tuple(range(1, 9))  # type: ignore[assignment]


def test_the_newest_is_said_for_a_while() -> None:
    notices = Notices()
    now_s = time.monotonic()
    notices.say("the first", 5.0)
    notices.say("the second", TOLD_S)
    assert notices.line(now_s + TOLD_S - 0.1) == "the second"
    assert notices.line(time.monotonic() + TOLD_S) == ""
    notices.say("the third", 5.0)
    notices.forget("the third")
    assert notices.line(now_s) == ""


def test_what_is_said_at_once_stands_side_by_side_and_an_older_one_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    clock_s = 100.0
    monkeypatch.setattr(notices_module.time, "monotonic", lambda: clock_s)
    notices = Notices()
    notices.say("track 3 was still being turned: not logged", 15.0)
    notices.say("track 5 was still being turned: not logged", 15.0)
    both = "track 3 was still being turned: not logged; track 5 was still being turned: not logged"
    assert notices.line(100.1) == both
    clock_s = 102.0
    notices.say("not done: there is no step 77", 6.0)
    assert notices.line(102.1) == "not done: there is no step 77"
    assert notices.line(108.1) == both
    # The same once more is not said twice.
    clock_s = 109.0
    notices.say("track 5 was still being turned: not logged", 15.0)
    assert notices.line(109.1) == "track 5 was still being turned: not logged"
    assert notices.line(124.1) == ""


def test_the_end_of_a_calibration_is_said_short_and_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    daemon = Daemon(tmp_path / "log.db")
    book = daemon.engine._health
    clock_s = 1000.0
    monkeypatch.setattr(notices_module.time, "monotonic", lambda: clock_s)
    ended = "calibration 20261129-1 finished: 24 trims, 132 of 160 missing"
    last = "Is the tape stored tails out? It prints through less."
    book._notices.say(last, TOLD_S)
    book.finished(ended, lacks=True)
    # Whatever else is said at the same time does not stand beside it, and comes after it.
    assert book.now(clock_s + 0.1).message == ended
    assert book.now(clock_s + TOLD_S - 1.0).message == last
    # What lacks stands until the next calibration has something.
    assert book.now(clock_s + 600.0).message == ended
    ended = "calibration 20261129-2 finished: 160 trims, complete"
    clock_s = 2000.0
    book.finished(ended, lacks=False)
    assert book.now(clock_s + 0.1).message == ended
    assert book.now(clock_s + 600.0).message != ended
    monkeypatch.undo()
    daemon.close()


@pytest.mark.parametrize(
    "change",
    [
        f"7.5{SPEED_NOW}set speed and equalization; keep {EVERY_TRACK_SAFE}",
        f"make {EVERY_TRACK_SAFE} first, take the recorded tape off, then thread the calibration tape",
    ],
)
def test_what_is_to_be_done_by_hand_is_said_first_and_as_long_as_it_is_to_be_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    daemon = Daemon(tmp_path / "log.db")
    calibration, book = daemon.engine.calibration, daemon.engine._health
    left = "sync level at 1000 Hz, 15 in/s is left: not steady for long enough: tracks 1-8"
    monkeypatch.setattr(type(calibration), "change", property(lambda _: change))
    for told in (left, change):
        book._notices.say(told, TOLD_S)
    now_s = time.monotonic()
    assert book.now(now_s).message == f"{change}; {left}"
    assert book.now(now_s + TOLD_S + 600.0).message == change
    # Only the end of a calibration is said before it, and what that lacks beside it.
    ended = "calibration 20261129-1 finished: 24 trims, 132 of 160 missing"
    book.finished(ended, lacks=True)
    assert book.now(time.monotonic()).message == ended
    assert book.now(time.monotonic() + TOLD_S).message == f"{change}; {ended}"
    # Once it is done it is not said for the rest of the time for which news is.
    book._notices.say(change, TOLD_S)
    monkeypatch.setattr(type(calibration), "change", property(lambda _: ""))
    assert change not in book.now(time.monotonic()).message
    daemon.close()


def test_a_warning_that_cannot_be_written_harms_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    notices, faults = Notices(), []
    monkeypatch.setattr(notices, "handleError", faults.append)
    notices.handle(logging.LogRecord("bridge", logging.WARNING, "", 0, "%d tracks", ("many",), None))
    assert len(faults) == 1
    assert notices.line(time.monotonic()) == ""


def test_an_unlogged_turn_hides_nothing_that_is_wrong_now(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    daemon = Daemon(tmp_path / "log.db")
    calibration, book = daemon.engine.calibration, daemon.engine._health
    monkeypatch.setattr(type(calibration), "unlogged", property(lambda _: "repro level 3"))
    assert book.now(time.monotonic()).message == "turned and not logged: repro level 3"
    monkeypatch.setattr(type(calibration), "notice", property(lambda _: "1001 Hz plays, but step 2 wants 10000 Hz"))
    assert book.now(time.monotonic()).message == "1001 Hz plays, but step 2 wants 10000 Hz"
    daemon.close()


@dataclass
class Network:
    """A way in or out, and what is wrong with it."""

    problem: str = ""


def test_what_is_wrong_with_the_network_stands_beside_what_is_not_logged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    calibration = Calibration(setup_of(loads(CONFIG, tmp_path / "c.toml")))
    page, midi = Network(), Network()
    book = HealthBook(
        calibration, notices=Notices(), log=None, counters=(), midi=None, networks=(page, midi), asks_preparation=True
    )
    preparation = book.now(0.0).message
    assert preparation.startswith("not confirmed yet: ")
    midi.problem = 'no MIDI port "Pedal"'
    assert book.now(0.0).message == f'no MIDI port "Pedal"; {preparation}'
    monkeypatch.setattr(type(calibration), "unlogged", property(lambda _: "repro level 3"))
    assert book.now(0.0).message == 'no MIDI port "Pedal"; turned and not logged: repro level 3'
    # Who may command matters more than a pedal that does not.
    page.problem = "a forgotten screen may command again"
    assert book.now(0.0).message == "a forgotten screen may command again; turned and not logged: repro level 3"
    # What the tone does not fit is seen to at once; the rest comes back then.
    monkeypatch.setattr(type(calibration), "notice", property(lambda _: "1001 Hz plays, but step 2 wants 10000 Hz"))
    assert book.now(0.0).message == "1001 Hz plays, but step 2 wants 10000 Hz"


def test_every_warning_of_the_program_reaches_the_frames_while_it_runs(tmp_path: Path) -> None:
    config = f"{CONFIG}[osc]\nenabled = false\n[log]\nenabled = false\n[page]\nenabled = false\n"
    service = Service(loads(config, tmp_path / "c.toml"), config, make_source=Stumbling)
    service.start()
    try:
        said = service._engine.health
        # This source loses samples, which is told once.
        wait_for(lambda: "samples were lost" in said().message)
        log.info("nothing to worry about")
        assert "samples were lost" in said().message
        log.warning("track %d was turned while held: not logged", 3)
        wait_for(lambda: "track 3 was turned while held: not logged" in said().message)
    finally:
        service.stop()
    log.warning("nobody hears this any more")
    assert "nobody hears" not in service._engine.health().message


def test_what_is_wrong_is_not_said_again_when_it_is_mended(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path / "log.db")
    engine, book = daemon.engine, daemon.engine._health
    engine.source_began(Wide(), 0.0)
    engine.source_lost("its lead was pulled")
    book._notices.emit(logging.LogRecord("bridge", logging.ERROR, "", 0, "source lost: its lead was pulled", (), None))
    assert engine.health().message == "its lead was pulled"
    engine.source_began(Wide(), 1.0)
    assert engine.health().message == ""
    daemon.close()


def test_a_command_that_is_not_done_is_said_for_six_seconds(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path / "log.db")
    assert daemon.ask(GoToStep(77)) is not None
    book = daemon.engine._health
    assert book.now(time.monotonic()).message.startswith("not done: there is no step 77")
    assert book.now(time.monotonic() + DECLINED_S).message == ""
    daemon.close()


def test_a_command_that_is_not_done_is_said_once_though_the_log_says_it_too(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path / "log.db")
    book = daemon.engine._health
    logging.getLogger("bridge").addHandler(book._notices)
    try:
        assert daemon.ask(GoToStep(77)) is not None
    finally:
        logging.getLogger("bridge").removeHandler(book._notices)
    message = book.now(time.monotonic()).message
    assert message.count("there is no step 77") == 1
    assert message.startswith("not done: there is no step 77")
    daemon.close()


@pytest.mark.parametrize("logged", [0, 1])
def test_where_a_calibration_goes_on_is_said_once(tmp_path: Path, logged: int) -> None:
    first = Daemon(tmp_path / "log.db")
    assert first.engine.health().message == ""
    assert first.ask(GoToStep(2)) is None
    first.die()
    second = Daemon(tmp_path / "log.db", at_ns=first.began_ns + 10**9)
    assert second.resumption is not None
    book = second.engine._health
    assert book.now(time.monotonic()).message == (
        f"resumed: calibration {second.resumption.calibration} of Tidemark sixteen-track (invented), "
        "0 trims in the log, step 2: repro high at 10000 Hz"
    )
    if logged:
        # What happens then is newer, and what was said before is said on.
        second.ask(GoToStep(77))
        assert book.now(time.monotonic()).message.startswith("not done")
        assert book.now(time.monotonic() + DECLINED_S).message.startswith("resumed: ")
    assert book.now(time.monotonic() + RESUMED_S).message == ""
    second.die()


def test_what_was_turned_and_not_logged_is_said_beside_where_a_calibration_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    daemon = Daemon(tmp_path / "log.db")
    calibration, book = daemon.engine.calibration, daemon.engine._health
    book.resumed("calibration 20261129-1", 100.0)
    monkeypatch.setattr(type(calibration), "unlogged", property(lambda _: "repro level 3"))
    assert book.now(100.0).message == "resumed: calibration 20261129-1; turned and not logged: repro level 3"
    assert book.now(100.0 + RESUMED_S).message == "turned and not logged: repro level 3"
    # It is said for as long as it is so.
    monkeypatch.setattr(type(calibration), "unlogged", property(lambda _: ""))
    assert book.now(100.0).message == "resumed: calibration 20261129-1"
    daemon.close()
