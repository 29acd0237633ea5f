"""Hold: what was left before is in the log before it is said to be held, and nothing logs itself afterwards."""

from itertools import pairwise
from pathlib import Path

import pytest

from bridge.control.inbox import Request
from bridge.procedure.commands import Command, Hold, LogNow
from bridge.readings import Frame, Trim
from bridge.simulation.calibration import Manner, Performance
from bridge.simulation.hand import Act, Temperament
from bridge.sinks import log as log_module
from tests.daemon.performing import Daemon, Levelled, performed

RESTS_S = 1.2
"""After the hand has left: more than the half second that closing an act asks for, less than it takes by itself."""


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that is slow because the computer has other work is none that does not answer."""
    monkeypatch.setattr(log_module, "STUCK_S", 3600.0)


class Watched(Daemon):
    """Keeps in which order things were told."""

    def __init__(self, path: Path) -> None:
        self.order: list[str] = []
        super().__init__(path)

    def publish(self, frame: Frame, now_s: float) -> None:
        super().publish(frame, now_s)
        said = "held" if frame.held else "not held"
        if self.order[-1:] != [said]:
            self.order.append(said)

    def announce(self, trim: Trim, trim_id: str, now_s: float) -> None:
        super().announce(trim, trim_id, now_s)
        self.order.append(f"logged {trim.track}")

    def hold(self) -> None:
        """Press Hold, and look around while the log has not said anything yet."""
        self.press(Hold(True), "answered")

    def press(self, command: Command, answered: str) -> None:
        """Ask for something, and do not wait for what becomes of it."""
        self._inbox.put(Request(command, "test", lambda refusal: self.order.append(f"{answered} {refusal}")))
        self.engine.attend()


def rested(folder: Path) -> tuple[Watched, Levelled, Performance, Act]:
    """A hand has just left a trimmer and rests, and that is not in the log yet; the act is the last."""
    recorder, performance = performed(Manner(Temperament.between(0.2).never()), 11)
    source = Levelled(recorder, performance.end_s + 4.0)
    acts = sorted((act for act in performance.stages[0].acts if act.track <= 8), key=lambda act: act.start_s)
    last = next(one for one, after in pairwise(acts) if after.start_s - one.end_s > RESTS_S + 0.3)
    daemon = Watched(folder / "log.db")
    daemon.engine.source_began(source, 0.0)
    daemon.hear(source, 0.0, last.end_s + RESTS_S)
    daemon.settle()
    return daemon, source, performance, last


def test_what_was_left_before_hold_is_logged_before_it_is_said_to_be_held(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    daemon, source, performance, last = rested(tmp_path)
    assert f"logged {last.track}" not in daemon.order
    daemon.order.clear()
    # The disk takes its time.
    results = daemon.log.take_results
    monkeypatch.setattr(daemon.log, "take_results", list)
    daemon.hold()
    daemon.hear(source, last.end_s + RESTS_S, last.end_s + RESTS_S + 0.3)
    assert daemon.order == ["not held"]
    monkeypatch.setattr(daemon.log, "take_results", results)
    daemon.settle()
    daemon.hear(source, last.end_s + RESTS_S + 0.3, performance.stages[0].end_s)
    daemon.settle()
    # The hand goes on, and nothing of that logs itself.
    assert daemon.order == ["not held", f"logged {last.track}", "answered None", "held"]
    daemon.close()
    assert daemon.order[-1] == "held"


def test_a_hold_that_is_released_before_it_began_is_declined_and_a_second_one_is_answered_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    daemon, source, _performance, last = rested(tmp_path)
    results = daemon.log.take_results
    monkeypatch.setattr(daemon.log, "take_results", list)
    daemon.order.clear()
    daemon.hold()
    # One more waits as the first does: it is not held yet.
    daemon.hold()
    assert daemon.order == []
    daemon.press(Hold(False), "released")
    assert daemon.order == ["answered hold was released before it began"] * 2 + ["released None"]
    monkeypatch.setattr(daemon.log, "take_results", results)
    daemon.settle()
    daemon.hold()
    daemon.settle()
    daemon.hear(source, last.end_s + RESTS_S, last.end_s + RESTS_S + 0.3)
    daemon.order.clear()
    # Held already: a trim that a person asks for is on its way to the log, and that it is held stays true.
    monkeypatch.setattr(daemon.log, "take_results", list)
    daemon.press(LogNow(last.track), "by hand")
    daemon.hold()
    daemon.hear(source, last.end_s + RESTS_S + 0.3, last.end_s + RESTS_S + 0.6)
    assert [one for one in daemon.order if one != "held"] == ["answered None"]
    monkeypatch.setattr(daemon.log, "take_results", results)
    daemon.settle()
    assert daemon.order[-2:] == [f"logged {last.track}", "by hand None"]
    daemon.close()


def test_where_nothing_was_left_hold_is_answered_at_once(tmp_path: Path) -> None:
    recorder, performance = performed(Manner(Temperament.between(0.2).never()), 11)
    source = Levelled(recorder, performance.end_s + 4.0)
    daemon = Watched(tmp_path / "log.db")
    daemon.engine.source_began(source, 0.0)
    daemon.hear(source, 0.0, 2.0)
    daemon.order.clear()
    daemon.hold()
    daemon.hear(source, 2.0, 2.5)
    assert daemon.order == ["answered None", "held"]
    daemon.close()


def test_a_log_that_refuses_keeps_nobody_from_holding(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    daemon, source, _performance, last = rested(tmp_path)
    daemon.order.clear()
    # What was left is on its way, and the disk does not answer.
    monkeypatch.setattr(daemon.log, "take_results", list)
    daemon.hold()
    assert daemon.order == []
    monkeypatch.setattr(type(daemon.log), "state", "refusing")
    daemon.engine.attend()
    daemon.hear(source, last.end_s + RESTS_S, last.end_s + RESTS_S + 0.5)
    assert daemon.order == ["answered None", "held"]
    monkeypatch.undo()
    daemon.close()
