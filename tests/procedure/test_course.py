"""Any course of acts, commands, disks that refuse and crashes, against a model that is as simple as can be.

What is seen is made up, so that thousands of courses can be gone through: the watch hands out what the test puts in.
"""

import math
import re
from collections import defaultdict

import hypothesis.strategies as st
import numpy as np
from hypothesis import settings
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    initialize,
    invariant,
    multiple,
    precondition,
    rule,
)

from bridge.procedure.course import Course
from bridge.procedure.hands_free import HandsFree
from bridge.procedure.outcomes import Declined, FinishToLog, Outcome, Told, TrimToLog, TurnedToLog
from bridge.procedure.patch import TrackLevels
from bridge.procedure.progress import Progress, Record, Turned
from bridge.procedure.settling import Settled
from bridge.procedure.setup import Place
from bridge.procedure.table import Event
from bridge.procedure.trim_watch import TrimCut, TrimFound
from bridge.procedure.visit import Moment
from bridge.readings import Trim
from bridge.tape.machine import RECORD_SIDE
from tests.procedure.studio import BIAS, HIGH, LEVEL, SYNC, setup

SETUP = setup((LEVEL, HIGH, SYNC, BIAS), banks=2, tracks=3)
STEPS_THERE = SETUP.steps
STEPS, PLACES = len(STEPS_THERE), 3

LEVELS_DB = st.sampled_from((-1.0, -0.3, -0.1, 0.0, 0.07, 0.15, 0.5))
PLACE = st.integers(0, PLACES - 1)


def tracks_named(text: str) -> set[int]:
    """The tracks that a line names: "tracks 1, 3-5", or "tracks 1 +0.34 dB, 3 −1.16 dB"."""
    named = set()
    for stretch in re.findall(r"tracks? (\d[^;a-z]*(?:(?:by|dB|left at|; \d)[^;a-z]*)*)", text):
        for first, last in re.findall(r"(?<![+−\-.\d])(\d+)(?:-(\d+))?(?![.\d])", stretch):
            named |= set(range(int(first), int(last or first) + 1))
    return named


NUMBER = st.integers(1, STEPS)


def level(level_db: float, at_s: float) -> Settled:
    return Settled(level_db, 0.01, 0.002, 5.0, at_s - 5.0, at_s)


class Scripted(HandsFree):
    """A watch that sees what the test has put there."""

    def __init__(self, course: Course) -> None:
        super().__init__(SETUP.steps, course.index, (), course.bank)
        super().hold(course.state == "held")
        super().let_follow(course.follows)
        self.pending: list[TrimFound | TrimCut] = []
        self.levels: dict[int, Settled] = {}
        self.cut_short = False

    def close(self, *, cut_short: bool = False):  # type: ignore[no-untyped-def]
        self.cut_short = cut_short
        seen, self.pending = tuple(self.pending), []
        return seen

    def close_left(self):  # type: ignore[no-untyped-def]
        left = tuple(act for act in self.pending if isinstance(act, TrimFound))
        self.pending = [act for act in self.pending if isinstance(act, TrimCut)]
        return left

    def begin(self) -> None:
        super().begin()
        self.levels = {}

    def steady(self):  # type: ignore[no-untyped-def]
        return tuple(self.levels.get(place) for place in range(PLACES))


Cell = tuple[int, int]
"""Step (1…) and track."""

Before = tuple[float, float]
"""When a track was turned first without being logged, and what it read before, in VU."""


class AnyCourse(RuleBasedStateMachine):
    ids: Bundle[str] = Bundle("ids")

    @initialize()
    def begin(self) -> None:
        self.progress = Progress()
        self.course = Course(SETUP, self.progress)
        self.watch()
        self.now_s = 100.0
        self.tick()
        # The model: what is in the log, what is on its way, what moved since, and what happened in this visit.
        self.log: dict[str, tuple[Cell, Trim, Before | None]] = {}
        self.made = 0
        self.awaited: list[tuple[Cell, Trim, Before | None]] = []
        self.moved: dict[Cell, Before] = {}
        # What was turned, and how many trims were made before.
        self.on_their_way: list[tuple[Cell, Turned, int]] = []
        self.turned: list[tuple[Cell, Turned, int]] = []
        self.owed: list[tuple[Cell, Turned]] = []
        self.held = False
        self.follows = True
        self.is_there = False
        self.at = (1, 1)
        self.new_visit()

    def watch(self) -> None:
        self.script = Scripted(self.course)
        self.course.watch = self.script

    def tick(self) -> None:
        self.now_s += 30.0
        self.course.now = Moment(self.now_s, round(self.now_s * 1e9))

    # -- the model

    def new_visit(self, again: bool = False) -> None:
        self.again = again
        self.touched: set[int] = set()
        self.logged_here: list[Trim] = []
        self.heard: dict[int, float] = {}

    @property
    def tracks(self) -> tuple[int, ...]:
        return SETUP.banks[self.at[1] - 1].tracks

    def cell(self, place: int) -> Cell:
        return self.at[0], self.tracks[place]

    def is_complete(self, cell: Cell) -> bool:
        rows = (*self.log.values(), *self.awaited)
        return cell not in self.moved and any(of == cell for of, _, _ in rows)

    def before_db(self, cell: Cell, found_db: float | None) -> float | None:
        """What a trim of the cell begins at: what it read before anything unlogged, or this."""
        return self.moved[cell][1] - SETUP.steps[cell[0] - 1].target_vu if cell in self.moved else found_db

    def expect_trim(self, outcome: Outcome, cell: Cell, found_db: float | None, left_db: float) -> None:
        """One trim goes to the log."""
        assert isinstance(outcome, TrimToLog)
        trim, step = outcome.trim, SETUP.steps[cell[0] - 1]
        assert (trim.track, trim.adjustment, trim.tone_hz) == (cell[1], step.adjustment, step.tone_hz)
        assert math.isclose(trim.target_vu + trim.as_left_db, step.target_vu + left_db, abs_tol=1e-9)
        if step is BIAS:
            assert trim.as_left_db <= 0.0
            assert trim.as_found_db <= 0.0
        else:
            assert trim.target_vu == step.target_vu
            assert found_db is None or math.isclose(trim.as_found_db, found_db, abs_tol=1e-9)
        self.awaited.append((cell, trim, self.moved.pop(cell, None)))
        self.logged_here.append(trim)

    def expect_act(self, outcomes: list[Outcome], act: TrimFound | TrimCut) -> None:
        """An act goes to the log, or is kept open and said."""
        cell, step = self.cell(act.track), SETUP.steps[self.at[0] - 1]
        self.touched.add(cell[1])
        by_hand = [
            trim.target_vu + trim.as_left_db
            for trim in self.logged_here
            if (trim.track, trim.origin) == (cell[1], "by hand") and trim.settled_s > act.started_s
        ]
        if self.held or isinstance(act, TrimCut):
            if by_hand and isinstance(act, TrimFound):
                left_vu = step.target_vu + act.as_left.level_db
                if abs(by_hand[-1] - left_vu) <= 0.05:
                    # The same act, logged by hand already.
                    return
            outcome = outcomes.pop(0)
            assert isinstance(outcome, TurnedToLog)
            assert f"track {cell[1]} " in outcome.text
            turned = outcome.turned
            assert (turned.track, turned.adjustment, turned.tone_hz) == (cell[1], step.adjustment, step.tone_hz)
            # What it read before the first movement is what it was found at, however often it is turned.
            found_vu = by_hand[-1] if by_hand else step.target_vu + act.as_found.level_db
            before = self.moved.setdefault(cell, (act.started_s, found_vu))
            assert math.isclose(turned.level_vu, before[1], abs_tol=1e-9)
            self.on_their_way.append((cell, turned, self.made + len(self.awaited)))
            return
        found_db, left_db = act.as_found.level_db, act.as_left.level_db
        meanwhile = [
            trim.target_vu + trim.as_left_db - step.target_vu
            for trim in self.logged_here
            if (trim.track, trim.origin) == (cell[1], "by hand") and trim.settled_s > act.started_s
        ]
        if meanwhile and abs(meanwhile[-1] - left_db) <= 0.05:
            # The same act, logged by hand already.
            return
        found_db = meanwhile[-1] if meanwhile else found_db
        self.expect_trim(outcomes.pop(0), cell, self.before_db(cell, found_db), left_db)

    def expect_closed(
        self, outcomes: list[Outcome], pending: list[TrimFound | TrimCut], *, verify: bool = True
    ) -> None:
        """What is open is closed; what is right and untouched is verified; what is not is said in one line."""
        for act in pending:
            self.expect_act(outcomes, act)
        if not verify or self.held:
            return
        step, unverified = SETUP.steps[self.at[0] - 1], []
        for place in range(PLACES):
            cell = self.cell(place)
            here = any(trim.track == cell[1] for trim in self.logged_here)
            if step is BIAS or cell[1] in self.touched or here or not self.heard:
                continue
            right = place in self.heard and abs(self.heard[place]) <= step.tolerance_db
            if not self.again and self.is_complete(cell):
                continue
            if right and cell not in self.moved:
                self.expect_trim(outcomes.pop(0), cell, self.heard[place], self.heard[place])
            else:
                unverified.append(cell[1])
        told = outcomes.pop(0) if outcomes and isinstance(outcomes[0], Told) else Told("")
        assert isinstance(told, Told)
        assert set(unverified) <= tracks_named(told.text)

    # -- what happens

    def act(self, place: int, found_db: float, left_db: float) -> TrimFound:
        found, left = level(found_db, self.now_s - 9.0), level(left_db, self.now_s - 1.0)
        return TrimFound(place, found, left, self.now_s - 8.0, self.now_s - 6.0, self.now_s - 5.0, (), False)

    @rule(levels=st.dictionaries(PLACE, LEVELS_DB))
    def hear(self, levels: dict[int, float]) -> None:
        """The tone of the step plays: some tracks have it."""
        visit = self.course.visit
        assert visit is not None
        for place in levels.keys() - self.heard.keys():
            self.heard[place] = levels[place]
            self.script.levels[place] = level(levels[place], self.now_s)
        step = visit.step
        vu = np.array([step.target_vu + self.heard.get(place, math.nan) for place in range(PLACES)])
        spread = np.where(np.isnan(vu), math.nan, 0.01)
        quiet = np.zeros(PLACES, dtype=bool)
        self.levels = TrackLevels(0, 0, step.tone_hz, 9.0, vu, vu, vu, spread, spread, vu, quiet, vu, vu)
        self.course.tracks = self.levels
        self.is_there = True
        visit.see(self.levels, self.now_s)
        self.tick()

    @rule(place=PLACE, found_db=LEVELS_DB, left_db=LEVELS_DB)
    def turn(self, place: int, found_db: float, left_db: float) -> None:
        act = self.act(place, found_db, left_db)
        outcomes = self.course.on("act seen", act)
        self.expect_act(outcomes, act)
        assert outcomes == []
        self.tick()

    @rule(place=PLACE, found_db=LEVELS_DB)
    def cut(self, place: int, found_db: float) -> None:
        act = TrimCut(place, level(found_db, self.now_s - 9.0), self.now_s - 8.0)
        outcomes = self.course.on("act cut", act)
        self.expect_act(outcomes, act)
        assert outcomes == []
        self.tick()

    @rule(place=PLACE, found_db=LEVELS_DB, left_db=LEVELS_DB)
    def turn_and_wait(self, place: int, found_db: float, left_db: float) -> None:
        """An act is not finished before something else happens."""
        self.script.pending.append(self.act(place, found_db, left_db))
        self.tick()

    def closing(self) -> list[TrimFound | TrimCut]:
        return list(self.script.pending)

    @rule(number=NUMBER)
    def tape_leads(self, number: int) -> None:
        if self.held or number == self.at[0]:
            return
        pending = self.closing()
        self.script.choose(number - 1)
        outcomes = self.course.on("tape leads on")
        self.expect_closed(outcomes, pending)
        assert outcomes == []
        self.at = (number, self.at[1])
        self.new_visit()
        self.tick()

    @rule(number=NUMBER, again=st.booleans())
    def go_to(self, number: int, again: bool) -> None:
        if number == self.at[0] and not again:
            return
        pending = self.closing()
        number = self.at[0] if again else number
        outcomes = self.course.on("repeat asked" if again else "step asked", number)
        # Off the record side, the tape that goes on next must not be erased.
        was_recording, records = (SETUP.steps[one - 1].adjustment in RECORD_SIDE for one in (self.at[0], number))
        if was_recording and not records:
            safe_first = outcomes.pop()
            assert isinstance(safe_first, Told)
            assert safe_first.text.startswith("make every track safe first, take the recorded tape off")
        self.expect_closed(outcomes, pending)
        assert outcomes == []
        self.at = (number, self.at[1])
        self.new_visit(again)
        self.tick()

    @rule()
    def patch(self) -> None:
        pending = self.closing()
        number = 3 - self.at[1]
        outcomes = self.course.on("bank asked", number)
        self.expect_closed(outcomes, pending)
        assert outcomes == []
        self.at = (self.at[0], number)
        self.new_visit()
        self.tick()

    @rule(on=st.booleans())
    def follow(self, on: bool) -> None:
        """Whether the tape is followed changes nothing of what is seen, logged or missing."""
        assert self.course.on("follow asked" if on else "stay asked") == []
        self.follows = on

    @rule(hz=st.sampled_from([one.tone_hz for one in STEPS_THERE] + [0.0, 3000.0]))
    def another_tone_plays(self, hz: float) -> None:
        """A tone stands: the watch leads to the step that it belongs to, unless it is held or not followed."""
        pending = self.closing()
        # For as long as a dropout lasts the tone before stands: who has just begun to follow is led to that first.
        stood_hz = self.script.tone.hz if self.script.tone is not None else hz
        outcomes: list[Outcome] = []
        led = None
        for _ in range(150):
            self.now_s += 0.01
            vu = np.full(PLACES, -1.5 if hz else math.nan)
            share, rms = np.full(PLACES, 0.99 if hz else 0.0), np.full(PLACES, -20.0 if hz else -80.0)
            quiet = np.zeros(PLACES, dtype=bool)
            levels = TrackLevels(0, 0, hz, 0.0, vu, vu, vu, vu, share, rms, quiet, rms, rms + 18.0)
            if self.script.follow(self.now_s, levels):
                led = self.script.index
                self.course.now = Moment(self.now_s, round(self.now_s * 1e9))
                outcomes += self.course.on("tape leads on")
        if self.held or not self.follows:
            assert led is None
        if led is not None:
            assert SETUP.steps[led].tone_hz in (hz, stood_hz)
            self.expect_closed(outcomes, pending)
            self.at = (led + 1, self.at[1])
            self.new_visit()
        assert outcomes == []
        self.tick()

    @rule(on=st.booleans())
    def hold(self, on: bool) -> None:
        pending = self.closing()
        outcomes = self.course.on("hold asked" if on else "release asked")
        if on != self.held:
            # What is still in hand stays open.
            left = [act for act in pending if isinstance(act, TrimFound)]
            self.expect_closed(outcomes, left, verify=False)
        assert outcomes == []
        self.held = on
        self.tick()

    @rule(track=st.integers(1, 7))
    def log_by_hand(self, track: int) -> None:
        (outcome,) = self.course.on("log asked", track)
        patched = track in self.tracks
        place = self.tracks.index(track) if patched else -1
        if not patched or place not in self.heard or not self.is_there:
            assert isinstance(outcome, Declined)
            return
        here = [trim for trim in self.logged_here if trim.track == track]
        cell = self.cell(place)
        step = SETUP.steps[cell[0] - 1]
        found_db: float | None = (
            here[-1].target_vu + here[-1].as_left_db - step.target_vu if here else self.heard[place]
        )
        self.expect_trim(outcome, cell, self.before_db(cell, found_db), self.heard[place])
        assert isinstance(outcome, TrimToLog)
        assert outcome.trim.origin == "by hand"
        self.tick()

    @rule()
    def lose_the_source(self) -> None:
        assert self.course.on("source lost") == []
        self.course.tracks = None
        self.is_there = False
        self.tick()

    @rule(target=ids)
    def commit(self) -> object:
        made = []
        for cell, trim, had_moved in self.awaited:
            self.made += 1
            trim_id = f"T{self.made}"
            assert trim_id not in self.log
            self.progress.logged(Record(trim_id, trim))
            self.log[trim_id] = (cell, trim, had_moved)
            made.append(trim_id)
        self.awaited.clear()
        self.turned += self.on_their_way
        self.on_their_way.clear()
        # What was refused is logged late, if it is true still.
        for cell, turned in self.owed:
            assert self.course.is_unlogged(turned) == (cell in self.moved)
            if cell in self.moved:
                self.turned.append((cell, turned, self.made))
        self.owed.clear()
        return multiple(*made)

    @rule()
    def refuse(self) -> None:
        for cell, trim, had_moved in self.awaited:
            turned = self.course.not_logged(trim)
            assert (turned is not None) == (trim.as_left_db != trim.as_found_db)
            if turned is not None:
                self.owed.append((cell, turned))
            if had_moved is not None:
                self.moved[cell] = min(had_moved, self.moved.get(cell, had_moved))
            elif trim.as_left_db != trim.as_found_db:
                self.moved.setdefault(cell, (trim.started_s, trim.target_vu + trim.as_found_db))
            self.logged_here = [one for one in self.logged_here if one != trim]
        self.awaited.clear()
        self.owed += [(cell, turned) for cell, turned, _ in self.on_their_way]
        self.on_their_way.clear()

    @rule(trim_id=consumes(ids))
    def withdraw(self, trim_id: str) -> None:
        self.course.withdrawn(trim_id)
        if trim_id in self.log:
            cell, trim, had_moved = self.log.pop(trim_id)
            if had_moved is not None:
                self.moved[cell] = min(had_moved, self.moved.get(cell, had_moved))
            self.logged_here = [one for one in self.logged_here if one != trim]

    @rule()
    def crash(self) -> None:
        """The process dies; the log holds what was committed."""
        place = self.course.place
        assert (place.step, place.bank) == self.at
        self.progress = Progress()
        self.course = Course(SETUP, self.progress)
        open_turns = [
            (cell, turned)
            for cell, turned, before in self.turned
            if not any(of == cell and int(trim_id[1:]) > before for trim_id, (of, _, _) in self.log.items())
        ]
        open_turns.sort(key=lambda one: one[1].at_ns)
        records = [Record(trim_id, trim) for trim_id, (_, trim, _) in self.log.items()]
        self.progress.restore(records, (), [turned for _, turned in open_turns], SETUP.steps)
        self.log = {trim_id: (cell, trim, None) for trim_id, (cell, trim, _) in self.log.items()}
        self.course.go_to(place)
        self.watch()
        self.awaited.clear()
        self.on_their_way.clear()
        self.owed.clear()
        self.moved.clear()
        for cell, turned in open_turns:
            self.moved.setdefault(cell, (0.0, turned.level_vu))
        self.held = False
        self.follows = True
        self.new_visit()
        self.tick()

    @rule(event=st.sampled_from(["stop asked", "recording ended"]))
    def stop(self, event: Event) -> None:
        pending = self.closing()
        outcomes = self.course.on(event)
        assert self.script.cut_short == (event == "stop asked")
        self.expect_closed(outcomes, pending)
        assert outcomes == []

    @precondition(lambda self: not self.awaited)
    @rule()
    def finish(self) -> None:
        pending = self.closing()
        outcomes = self.course.on("finish asked")
        self.expect_closed(outcomes, pending)
        (outcome,) = outcomes
        assert isinstance(outcome, FinishToLog)
        assert dict(self.listed()) == {one.step: one.tracks for one in outcome.missing}

    # -- what always holds

    def listed(self) -> list[tuple[int, tuple[int, ...]]]:
        missing: defaultdict[int, list[int]] = defaultdict(list)
        for step in range(1, STEPS + 1):
            for track in SETUP.tracks:
                if not self.is_complete((step, track)):
                    missing[step].append(track)
        return [(step, tuple(tracks)) for step, tracks in missing.items()]

    @invariant()
    def the_place_is_one_that_exists(self) -> None:
        assert self.course.place == Place(*self.at)
        assert self.course.state == ("held" if self.held else "automatic")
        assert self.course.follows == self.follows

    @invariant()
    def every_track_is_complete_or_listed_as_missing(self) -> None:
        assert [(one.step, one.tracks) for one in self.course.missing()] == self.listed()

    @invariant()
    def as_found_is_the_first_that_stands_and_as_left_the_last(self) -> None:
        rows = defaultdict(list)
        for cell, trim, _ in self.log.values():
            rows[cell].append(trim)
        for step in range(1, STEPS + 1):
            for track in SETUP.tracks:
                trims = rows[step, track]
                wanted = (trims[0], trims[-1]) if trims else None
                assert self.progress.found_and_left(SETUP.steps[step - 1], track) == wanted


TestAnyCourse = AnyCourse.TestCase
TestAnyCourse.settings = settings(deadline=None, max_examples=150, stateful_step_count=40)
