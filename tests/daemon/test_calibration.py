"""Whole calibrations: a simulated hand, the real engine, a real log on disk, held against the truth of the hand."""

import json
import re
import sqlite3
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.cli.report import show_report
from bridge.procedure.commands import Finish, GoToStep, LogNow, Reinstate, SelectBank, Withdraw
from bridge.procedure.setup import Place
from bridge.simulation.calibration import Manner, Performance
from bridge.simulation.hand import Act, Temperament
from tests.daemon.performing import SETUP, Daemon, Due, Levelled, bank_changes, performed, truth

STEADY = replace(Temperament.between(0.2).never(), walk_s=9.0)
"""Somebody who takes the time to move the leads."""


def patching(daemon: Daemon, performance: Performance, begin_s: float = 0.0) -> Iterator[Due]:
    for moment_s, bank in bank_changes(performance):
        if moment_s >= begin_s:
            yield moment_s, lambda bank=bank: _patch(daemon, bank)


def _patch(daemon: Daemon, bank: int) -> None:
    assert daemon.ask(SelectBank(bank)) is None


@pytest.mark.parametrize(("seed", "follow"), [(11, "rewind"), (12, "splice"), (14, "rewind")])
def test_two_banks_are_logged_as_they_were_found_and_left(tmp_path: Path, seed: int, follow: str) -> None:
    recorder, performance = performed(Manner(STEADY, follow=follow), seed)  # type: ignore[arg-type]
    source = Levelled(recorder, performance.end_s + 4.0)
    daemon = Daemon(tmp_path / "log.db")
    daemon.engine.source_began(source, 0.0)
    daemon.hear(source, 0.0, source.seconds, patching(daemon, performance))
    daemon.engine.source_ended()
    daemon.settle()
    progress, wanted = daemon.engine.calibration.progress, truth(performance)
    missing = {(one.step, track) for one in daemon.engine.calibration.missing() for track in one.tracks}
    for number, step in enumerate(SETUP.steps, 1):
        for track in SETUP.tracks:
            found_db, left_db, acts = wanted[step.adjustment, track]
            logged = progress.found_and_left(step, track)
            if not acts and abs(left_db) > step.tolerance_db:
                assert (number, track) in missing
                continue
            assert logged is not None, (step.adjustment, track, acts)
            assert logged[0].as_found_db == pytest.approx(found_db, abs=0.1)
            assert logged[1].as_left_db == pytest.approx(left_db, abs=0.1)
            assert (number, track) not in missing
    # Nothing beyond what the hand did, and one verification of a track that it left alone.
    counts = Counter((trim.adjustment, trim.track) for _, trim in daemon.trims)
    for cell, (_, _, acts) in wanted.items():
        assert counts[cell] <= max(1, len(acts)), cell
    assert len({trim_id for trim_id, _ in daemon.trims}) == len(daemon.trims)
    daemon.close()


def test_a_night_and_a_crash_between_the_banks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recorder, performance = performed(Manner(STEADY), 15)
    source = Levelled(recorder, performance.end_s + 4.0)
    cut_s = performance.stages[0].end_s + 30.0
    first = Daemon(tmp_path / "log.db")
    first.engine.source_began(source, 0.0)
    first.hear(source, 0.0, cut_s, patching(first, performance))
    first.settle()
    before = first.engine.calibration.missing()
    place = first.engine.calibration.place
    assert place.step == 2
    first.die()

    night_ns = 14 * 3600 * 10**9
    second = Daemon(tmp_path / "log.db", at_ns=first.began_ns + night_ns)
    assert second.resumption is not None
    assert second.resumption.resumed
    assert second.engine.calibration.place == place
    assert second.engine.calibration.missing() == before
    second.engine.source_began(source, 0.0)
    second.hear(source, cut_s, source.seconds, patching(second, performance, cut_s))
    second.engine.source_ended()
    second.settle()
    ids = [trim_id for trim_id, _ in (*first.trims, *second.trims)]
    assert len(set(ids)) == len(ids)
    lacking = second.engine.calibration.missing()
    known = second.resumption.calibration
    assert second.ask(Finish()) is None
    assert second.newest is not None
    second.close()

    show_report(tmp_path / "log.db", calibration=known, as_json=True)
    report = json.loads(capsys.readouterr().out)
    assert report["tracks"] == list(range(1, 17))
    assert {step["number"]: tuple(step["missing"]) for step in report["steps"] if step["missing"]} == {
        one.step: one.tracks for one in lacking
    }
    assert report["ended_at"] is not None
    wanted = truth(performance)
    for step in report["steps"]:
        for cell in step["tracks"]:
            assert cell["as_left_db"] == pytest.approx(wanted[step["adjustment"], cell["track"]][1], abs=0.1)
    # One track at most was in the hand when the power went.
    assert sum(len(one.tracks) for one in lacking) <= 1 + sum(
        not acts and abs(left_db) > 0.4 for _, left_db, acts in wanted.values()
    )
    show_report(tmp_path / "log.db", calibration=known, as_json=False)
    assert "repro high" in capsys.readouterr().out


def test_a_trimmer_that_is_in_hand_when_the_daemon_is_stopped_keeps_what_it_was_found_at(tmp_path: Path) -> None:
    recorder, performance = performed(Manner(STEADY), 15)
    stage = performance.stages[0]
    act = next(act for act in stage.acts if act.track <= 8 and abs(act.as_left_db - act.as_found_db) > 1.0)
    begin_s, end_s = max(act.strokes_s, key=lambda stroke: stroke[1] - stroke[0])
    source = Levelled(recorder, stage.end_s)
    cut_s = 0.5 * (begin_s + end_s)
    first = Daemon(tmp_path / "log.db")
    first.engine.source_began(source, 0.0)
    first.hear(source, 0.0, cut_s)
    first.close()
    assert act.track not in [trim.track for _, trim in first.trims]

    second = Daemon(tmp_path / "log.db")
    second.engine.source_began(source, 0.0)
    second.hear(source, cut_s, act.end_s + 4.0)
    # The rest of a movement that has no beginning is no trim: a person says that it is done.
    assert second.ask(LogNow(act.track)) is None
    (trim,) = [trim for _, trim in second.trims if trim.track == act.track]
    found_db, left_db, _ = truth(performance)[act.adjustment, act.track]
    assert trim.as_found_db == pytest.approx(found_db, abs=0.1)
    assert trim.as_left_db == pytest.approx(left_db, abs=0.1)
    second.close()


def _write_again(daemon: Daemon, lock: sqlite3.Connection) -> None:
    """Let go of the log; wait until what it owes is in it."""
    lock.execute("ROLLBACK")
    lock.close()
    deadline_s = time.monotonic() + 30.0
    while daemon.log.state != "writing":
        assert time.monotonic() < deadline_s
        time.sleep(0.02)
    daemon.engine.attend()
    daemon.settle()


def _expect_turned(folder: Path, act: Act) -> None:
    """The next start knows that a trimmer was turned, and what its track read before."""
    daemon = Daemon(folder / "log.db")
    assert daemon.resumption is not None
    (turned,) = [one for one in daemon.resumption.turned if one.track == act.track]
    assert turned.level_vu == pytest.approx(act.as_found_vu, abs=0.1)
    daemon.close()


def test_what_a_busy_disk_did_not_take_is_logged_late_and_outlives_the_daemon(tmp_path: Path) -> None:
    recorder, performance = performed(Manner(STEADY), 15)
    stage = performance.stages[0]
    act = next(act for act in stage.acts if act.track <= 8 and abs(act.as_left_db - act.as_found_db) > 1.0)
    source = Levelled(recorder, stage.end_s)
    first = Daemon(tmp_path / "log.db")
    first.engine.source_began(source, 0.0)
    lock = sqlite3.connect(tmp_path / "log.db", isolation_level=None)
    lock.execute("BEGIN IMMEDIATE")
    first.hear(source, 0.0, act.end_s + 20.0)
    assert first.trims == []
    first.settle()
    _write_again(first, lock)
    first.die()
    _expect_turned(tmp_path, act)


def test_what_is_in_hand_is_logged_when_a_busy_disk_takes_it_and_outlives_a_kill(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    recorder, performance = performed(Manner(STEADY), 15)
    stage = performance.stages[0]
    act = next(act for act in stage.acts if act.track <= 8 and abs(act.as_left_db - act.as_found_db) > 1.0)
    source = Levelled(recorder, act.end_s + 2.0)
    first = Daemon(tmp_path / "log.db")
    first.engine.source_began(source, 0.0)
    first.settle()
    lock = sqlite3.connect(tmp_path / "log.db", isolation_level=None)
    lock.execute("BEGIN IMMEDIATE")
    first.hear(source, 0.0, act.end_s + 1.5)
    assert act.track not in [trim.track for _, trim in first.trims]
    first.settle()
    assert first.log.state == "refusing"
    # That the log refuses is said once, and of each trim; not of each movement.
    told = [one.getMessage() for one in caplog.records if one.name == "bridge.daemon.ledger"]
    assert len(told) == first.log.refused_trims
    assert all(line.startswith("not logged: trim of track") for line in told)
    _write_again(first, lock)
    first.die()
    _expect_turned(tmp_path, act)


def test_several_calibrations_a_day(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path / "log.db")
    recorder, performance = performed(Manner(STEADY), 16)
    stage = performance.stages[0]
    source = Levelled(recorder, stage.start_s + 8.0)
    daemon.engine.source_began(source, 0.0)
    _patch(daemon, 2)
    for _ in range(2):
        daemon.hear(source, stage.start_s, source.seconds)
        assert daemon.ask(Finish()) is None
        frame = daemon.newest
        assert frame is not None
        # What was not done is said; the leads are where they are.
        said = rf"calibration \d+-\d finished: \d+ trims?, \d+ of {len(SETUP.steps) * len(SETUP.tracks)} missing"
        assert re.fullmatch(said, daemon.engine.health().message)
        assert daemon.engine.calibration.place.bank == 2
        assert daemon.engine.calibration.missing()[0].tracks == SETUP.tracks
        daemon.engine.source_lost("unplugged")
        daemon.engine.source_began(source, 100.0)
    daemon.close()
    again = Daemon(tmp_path / "log.db")
    assert again.engine.calibration.place.bank == 2
    again.close()


@pytest.mark.parametrize("gone_on", [False, True])
def test_a_log_that_comes_back_late_tells_where_the_calibration_stands(tmp_path: Path, gone_on: bool) -> None:
    """Nobody loses their place because the disk was busy at the start, and nobody is moved who has gone on."""
    recorder, performance = performed(Manner(STEADY), 16)
    stage = performance.stages[0]
    source = Levelled(recorder, stage.start_s + 8.0)
    first = Daemon(tmp_path / "log.db")
    first.engine.source_began(source, 0.0)
    first.hear(source, stage.start_s, source.seconds)
    assert first.ask(LogNow(1)) is None
    _patch(first, 2)
    first.close()
    assert first.trims
    lock = sqlite3.connect(tmp_path / "log.db", isolation_level=None)
    lock.execute("BEGIN IMMEDIATE")
    second = Daemon(tmp_path / "log.db")
    calibration = second.engine.calibration
    assert second.resumption is None
    assert calibration.place == Place(1, 1)
    if gone_on:
        assert second.ask(GoToStep(2)) is None
    lock.execute("ROLLBACK")
    lock.close()
    deadline_s = time.monotonic() + 30.0
    while not calibration.progress.newest:
        assert time.monotonic() < deadline_s
        second.engine.attend()
        time.sleep(0.02)
    assert calibration.place == (Place(2, 1) if gone_on else Place(1, 2))
    assert calibration.progress.newest == first.trims[-1][0]
    second.close()
    third = Daemon(tmp_path / "log.db")
    assert third.engine.calibration.place == calibration.place
    third.close()


def test_a_trim_that_was_withdrawn_before_a_crash_can_be_reinstated_after_it(tmp_path: Path) -> None:
    recorder, performance = performed(Manner(STEADY), 16)
    stage = performance.stages[0]
    source = Levelled(recorder, stage.start_s + 8.0)
    first = Daemon(tmp_path / "log.db")
    first.engine.source_began(source, 0.0)
    first.hear(source, stage.start_s, source.seconds)
    assert first.ask(LogNow(1)) is None
    complete = first.engine.calibration.missing()
    trim_id = first.trims[-1][0]
    assert first.ask(Withdraw(trim_id)) is None
    withdrawn = first.engine.calibration.missing()
    assert 1 in withdrawn[0].tracks
    first.die()
    second = Daemon(tmp_path / "log.db")
    calibration = second.engine.calibration
    assert calibration.missing() == withdrawn
    assert second.ask(Reinstate(trim_id)) is None
    assert calibration.missing() == complete
    assert calibration.progress.newest == trim_id
    assert "is not withdrawn" in (second.ask(Reinstate(trim_id)) or "")
    second.close()
    third = Daemon(tmp_path / "log.db")
    assert third.engine.calibration.missing() == complete
    third.close()
