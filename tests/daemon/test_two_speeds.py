"""A calibration over two speeds, with a calibration tape for each: one log, one sheet, against the hand's truth."""

import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.cli.logs import export_trims
from bridge.cli.report import show_report
from bridge.config.convert import to_machine, to_tapes
from bridge.config.load import loads
from bridge.daemon.setup import setup_of
from bridge.procedure.commands import Command, Finish, GoToStep, NextStep
from bridge.simulation.calibration import Manner, Performance, Task, perform
from bridge.simulation.hand import Temperament
from bridge.source.simulated import Simulated, practice_recorders
from tests.daemon.performing import CONDITION, RATE_HZ, Daemon, Due, Levelled, truth

CONFIG = """
[machine]
name = "Tidemark eight-track (invented)"
tracks = 8
operating_level_nwb_per_m = 320
[[machine.speeds]]
ips = 15
equalization = "iec1"
[[machine.speeds]]
ips = 30
equalization = "iec2"
[[tape]]
name = "Tidemark slow"
fluxivity_nwb_per_m = 250
speed_ips = 15
equalization = "iec1"
fringing_compensated = true
tones = [{ hz = 1000, seconds = 240 }, { hz = 10000, seconds = 240 }]
[[tape]]
name = "Tidemark fast"
fluxivity_nwb_per_m = 355
speed_ips = 30
equalization = "iec2"
fringing_compensated = true
tones = [{ hz = 1000, seconds = 240 }, { hz = 10000, seconds = 240 }]
"""
SETTINGS = loads(CONFIG, Path("invented.toml"))
SETUP = setup_of(SETTINGS)
PLAYED = [step for step in SETUP.steps if step.adjustment.startswith(("repro", "sync"))]
SPEEDS = (15.0, 30.0)
CHANGE_S = 20.0
"""So long somebody changes the tape."""


class Session:
    """The simulated hand at one speed after the other: its truth, and its levels on one clock."""

    def __init__(self, seed: int) -> None:
        recorders = practice_recorders(
            to_machine(SETTINGS),
            to_tapes(SETTINGS),
            sample_rate_hz=RATE_HZ,
            reference_dbfs=SETTINGS.audio.reference_dbfs,
            seed=seed,
            condition=CONDITION,
        )
        self.performances: dict[float, Performance] = {}
        self.sources: dict[float, Levelled] = {}
        self.begin_s: dict[float, float] = {}
        now_s = 1.0
        for recorder, speed_ips in zip(recorders, SPEEDS, strict=True):
            assert recorder.speed_ips == speed_ips
            tasks = [Task(one.adjustment, one.tone_hz, one.target_vu) for one in PLAYED if one.speed_ips == speed_ips]
            recorder.transport.stop(0)
            manner = Manner(Temperament.between(0.2).never())
            performance = perform(recorder, tasks, manner, seed, now_s)
            self.performances[speed_ips] = performance
            self.sources[speed_ips] = Levelled(recorder, performance.end_s + 4.0)
            self.begin_s[speed_ips] = now_s - 1.0
            now_s = performance.end_s + 4.0 + CHANGE_S

    def paths(self, daemon: Daemon, speed_ips: float) -> Iterator[Due]:
        """When the person says that sync is next: the tape cannot tell, as its tones are the same."""
        stages = self.performances[speed_ips].stages
        first_sync = next(number for number, stage in enumerate(stages) if stage.task.adjustment == "sync level")
        number = next(
            at for at, one in enumerate(SETUP.steps, 1) if (one.adjustment, one.speed_ips) == ("sync level", speed_ips)
        )
        yield stages[first_sync - 1].end_s - 0.2, lambda: _go_to(daemon, number)

    def play(self, daemon: Daemon, speed_ips: float) -> None:
        """Let a daemon hear one speed."""
        source = self.sources[speed_ips]
        daemon.hear(source, self.begin_s[speed_ips], source.seconds, self.paths(daemon, speed_ips))


def _go_to(daemon: Daemon, number: int) -> None:
    assert daemon.ask(GoToStep(number)) is None


def begun(path: Path, session: Session, at_ns: int | None = None) -> Daemon:
    daemon = Daemon(path, setup=SETUP, config=CONFIG, at_ns=at_ns)
    daemon.engine.source_began(session.sources[15.0], 0.0)
    return daemon


@pytest.fixture(scope="module")
def session() -> Session:
    return Session(21)


def as_told(session: Session, daemon: Daemon) -> None:
    """Hold what the daemon has against the truth: the right speed, adjustment and track, as found and as left."""
    progress = daemon.engine.calibration.progress
    missing = {(one.step, track) for one in daemon.engine.calibration.missing() for track in one.tracks}
    touched = 0
    for number, step in enumerate(SETUP.steps, 1):
        if step not in PLAYED:
            continue
        wanted = truth(session.performances[step.speed_ips])
        for track in SETUP.tracks:
            found_db, left_db, acts = wanted[step.adjustment, track]
            logged = progress.found_and_left(step, track)
            if not acts and abs(left_db) > step.tolerance_db:
                assert (number, track) in missing
                continue
            assert logged is not None, (step.adjustment, step.speed_ips, track, acts)
            touched += bool(acts)
            assert {trim.speed_ips for trim in logged} == {step.speed_ips}
            assert logged[0].as_found_db == pytest.approx(found_db, abs=0.1)
            assert logged[1].as_left_db == pytest.approx(left_db, abs=0.1)
    assert touched > 40


def test_both_speeds_are_logged_as_they_were_found_and_left(
    tmp_path: Path, session: Session, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "log.db"
    daemon = begun(log, session)
    session.play(daemon, 15.0)
    # The tape leads back within the speed: it stands at its last step, and next is the other tape.
    assert SETUP.steps[daemon.engine.calibration.place.step - 1].adjustment == "sync high"
    assert daemon.ask(NextStep()) is None
    assert daemon.newest is not None
    here = daemon.engine.calibration.step
    assert here is not None
    assert (here.adjustment, here.speed_ips) == ("repro level", 30.0)
    session.play(daemon, 30.0)
    daemon.engine.source_ended()
    daemon.settle()
    assert daemon.newest.step.speed_ips == 30.0
    as_told(session, daemon)
    assert daemon.ask(Finish()) is None
    daemon.close()

    show_report(log, calibration="last", as_json=False)
    report = capsys.readouterr().out
    lacking = report[report.index("missing: ") :]
    for number, step in enumerate(SETUP.steps, 1):
        if step not in PLAYED:
            assert f"step {number}, {step.speed_ips:g} in/s: tracks 1-8" in lacking
    lines = tmp_path / "trims.jsonl"
    export_trims(log, as_csv=False, calibration="last", tracks=(), output=lines, with_withdrawn=False)
    records = [json.loads(line) for line in lines.read_text(encoding="utf-8").splitlines()]
    assert Counter(one["speed_ips"] for one in records) == Counter(trim.speed_ips for _, trim in daemon.trims)
    assert {(one["speed_ips"], round(one["target_vu"], 2)) for one in records} == {(15, -2.14), (30, 0.90)}
    show_report(log, calibration="last", as_json=False, output=tmp_path / "sheet.html")
    capsys.readouterr()
    page = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "Tidemark slow, 250 nWb/m, 15 in/s, iec1; Tidemark fast, 355 nWb/m, 30 in/s, iec2" in page
    assert "1000 Hz, 30 in/s; target +0.90 VU" in page
    assert "1000 Hz, 15 in/s; target −2.14 VU" in page


def test_a_night_between_the_speeds(tmp_path: Path, session: Session) -> None:
    log = tmp_path / "log.db"
    first = begun(log, session)
    session.play(first, 15.0)
    assert first.ask(NextStep()) is None
    first.settle()
    place = first.engine.calibration.place
    before = first.engine.calibration.missing()
    first.die()
    second = begun(log, session, first.began_ns + 14 * 3600 * 10**9)
    assert second.resumption is not None
    assert second.resumption.resumed
    assert second.engine.calibration.place == place
    assert second.engine.calibration.missing() == before
    session.play(second, 30.0)
    second.engine.source_ended()
    second.settle()
    as_told(session, second)
    second.close()


def test_the_simulated_recorder_changes_its_tape_with_the_step(tmp_path: Path) -> None:
    recorders = practice_recorders(
        to_machine(SETTINGS), to_tapes(SETTINGS), sample_rate_hz=RATE_HZ, reference_dbfs=-18.0, seed=4
    )
    source = Simulated(*recorders, real_time=False)
    daemon = Daemon(tmp_path / "log.db", setup=SETUP, config=CONFIG)
    daemon.engine.source_began(source, 0.0)
    source.start()
    truth_vu = {one.speed_ips: one.noiseless_vu(one.content.tone(1000.0), 0, 0) for one in recorders}
    fast = next(number for number, step in enumerate(SETUP.steps, 1) if step.speed_ips == 30.0)
    asked: tuple[tuple[Command, int, float], ...] = (
        (GoToStep(fast), fast, 30.0),
        (GoToStep(1), 1, 15.0),
        (GoToStep(fast), fast, 30.0),
        # The next calibration begins at the first step, with the first tape.
        (Finish(), 1, 15.0),
    )
    # What is read is the tape of the step, by the truth of the recorder that has it on.
    for command, number, speed_ips in asked:
        assert daemon.ask(command) is None
        source.tape_to_tone(1000.0)
        for _ in range(10 * RATE_HZ // 512):
            block = source.read(1.0)
            assert block is not None
            daemon.engine.block(block)
        assert daemon.newest is not None
        step = daemon.newest.step
        assert (step.number, step.speed_ips) == (number, speed_ips)
        assert daemon.newest.tone_hz == pytest.approx(1000.0, rel=0.01)
        for reading in daemon.newest.readings:
            wanted_db = truth_vu[speed_ips][reading.track - 1] - step.target_vu
            assert reading.fine_db == pytest.approx(wanted_db, abs=0.2)
    source.stop()
    daemon.close()
