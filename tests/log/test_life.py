"""The life of a log against a model of it in plain lists: any order of entries, closings and openings."""

import tempfile
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from bridge.log.calibrations import begin_or_resume
from bridge.log.entries import (
    EntryRefusedError,
    FinishEntry,
    PositionEntry,
    ReinstatementEntry,
    TrimEntry,
    WithdrawalEntry,
)
from bridge.log.queries import calibrations, trims
from bridge.log.store import Store, open_reader
from bridge.log.writing import write_entry
from tests.log.examples import START_NS, STEPS, TRIM, opening


class Life(RuleBasedStateMachine):
    """One machine's calibrations: how many, which is open, its trims, its withdrawn ones, its place."""

    def __init__(self) -> None:
        super().__init__()
        self.directory = tempfile.TemporaryDirectory(prefix="trimbridge-test-")
        self.path = Path(self.directory.name) / "log.db"
        self.trims: list[str] = []
        self.withdrawn: set[str] = set()
        self.count = 0
        self.is_finished = True

    @initialize()
    def open(self) -> None:
        self.store = Store(self.path)
        self.store.connection.execute("PRAGMA synchronous = OFF")
        with self.store.transaction(lambda: False) as connection:
            found = begin_or_resume(connection, opening())
        assert found.resumed is not self.is_finished
        if self.is_finished:
            self.count += 1
            self.place = (1, 1)
            self.is_finished = False
        self.calibration = found.calibration
        assert found.calibration.endswith(f"-{self.count}")
        assert (found.step, found.bank) == self.place
        own = [trim_id for trim_id in self.trims if trim_id.startswith(f"{self.calibration}.")]
        assert [one.id for one in found.trims] == own
        assert {one.id for one in found.trims if one.withdrawal} == self.withdrawn.intersection(own)

    @rule()
    def close_and_open(self) -> None:
        self.store.close()
        self.open()

    @rule(track=st.integers(1, 24))
    def log(self, track: int) -> None:
        own = [trim_id for trim_id in self.trims if trim_id.startswith(f"{self.calibration}.")]
        if trim_id := self.write(TrimEntry(replace(TRIM, track=track))):
            assert trim_id == f"{self.calibration}.{len(own) + 1}"
            self.trims.append(trim_id)

    @rule(number=st.integers(0, 30))
    def withdraw(self, number: int) -> None:
        asked = self.trims[number] if number < len(self.trims) else f"{self.calibration}.9999"
        with self.store.transaction(lambda: False) as connection:
            try:
                assert write_entry(connection, self.calibration, WithdrawalEntry(asked, "tablet", START_NS)) == asked
            except EntryRefusedError:
                assert asked not in self.trims or asked in self.withdrawn
            else:
                assert asked not in self.withdrawn
                self.withdrawn.add(asked)

    @rule(number=st.integers(0, 30))
    def reinstate(self, number: int) -> None:
        asked = self.trims[number] if number < len(self.trims) else f"{self.calibration}.9999"
        with self.store.transaction(lambda: False) as connection:
            try:
                assert write_entry(connection, self.calibration, ReinstatementEntry(asked, "tablet", START_NS)) == asked
            except EntryRefusedError:
                assert asked not in self.withdrawn
            else:
                self.withdrawn.remove(asked)

    @rule(step=st.integers(1, len(STEPS)), bank=st.integers(1, 3))
    def move(self, step: int, bank: int) -> None:
        if self.write(PositionEntry(step, bank, START_NS)) is not None:
            self.place = (step, bank)

    @rule()
    def finish(self) -> None:
        self.write(FinishEntry(START_NS))
        self.is_finished = True

    def write(self, entry: TrimEntry | PositionEntry | FinishEntry) -> str | None:
        with self.store.transaction(lambda: False) as connection:
            try:
                trim_id = write_entry(connection, self.calibration, entry)
            except EntryRefusedError:
                assert self.is_finished
                return None
        assert not self.is_finished
        return trim_id

    @invariant()
    def a_reader_finds_all(self) -> None:
        if not self.path.exists():
            return
        with closing(open_reader(self.path)) as reader:
            found = list(trims(reader))
            glances = list(calibrations(reader))
        assert [one.id for one in found] == self.trims
        assert {one.id for one in found if one.withdrawal} == self.withdrawn
        assert sum(glance.trims for glance in glances) == len(self.trims)
        assert sum(glance.withdrawn for glance in glances) == len(self.withdrawn)
        assert len(glances) == self.count

    def teardown(self) -> None:
        self.store.close()
        self.directory.cleanup()


TestLife = Life.TestCase
TestLife.settings = settings(max_examples=25, stateful_step_count=25, deadline=None)
