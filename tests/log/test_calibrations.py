import math
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.cli.sheet import sheet_of
from bridge.log.calibrations import RESUME_WITHIN_S
from bridge.log.entries import (
    ConfirmationEntry,
    EntryRefusedError,
    EventEntry,
    FinishEntry,
    InHandEntry,
    NoteEntry,
    PositionEntry,
    ReinstatementEntry,
    StepsEntry,
    TrimEntry,
    TurnedEntry,
    WithdrawalEntry,
)
from bridge.log.queries import Withdrawal, calibrations, lines, steps_of, trims, turned_of
from bridge.log.store import open_reader
from bridge.procedure.preparation import Confirmation
from bridge.procedure.progress import Turned
from tests.log.examples import HIGH, LEVEL, LOW, MACHINE, SECOND_NS, START_NS, STEPS, TRIM, same

LATER_NS = START_NS + 60 * SECOND_NS


@pytest.fixture
def local_time(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Thirteen hours east of Greenwich (POSIX writes that with a minus)."""
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "EAST-13")
        time.tzset()
        yield
    time.tzset()


def ending_of(path: Path, calibration: str) -> str:
    with closing(open_reader(path)) as connection:
        return next(one.ending for one in calibrations(connection) if one.id == calibration)


def test_a_new_log_begins_a_calibration(log) -> None:
    resumption, _ = log()
    assert (resumption.resumed, resumption.step, resumption.bank, resumption.replaced) == (False, 1, 1, "")
    assert resumption.calibration.endswith("-1")


def test_without_steps_it_stands_at_step_0(log) -> None:
    assert log(steps=())[0].step == 0
    assert log(steps=(), at_ns=LATER_NS)[0].step == 0


@pytest.mark.usefixtures("local_time")
def test_ids_carry_the_local_date_and_running_numbers(log) -> None:
    # 2026-11-25T23:30:00Z is half past noon of the 26th, thirteen hours east.
    late_ns = START_NS + 52_200 * SECOND_NS
    assert log(at_ns=late_ns)[0].calibration == "20261126-1"
    _, ids = log(*[TrimEntry(TRIM)] * 11, at_ns=late_ns, machine="Another one (invented)")
    assert ids[0] == "20261126-2.1"
    assert ids[-1] == "20261126-2.11"
    for number in range(3, 13):
        assert log(at_ns=late_ns, fresh=True)[0].calibration == f"20261126-{number}"


def test_it_is_resumed_where_it_was(log) -> None:
    confirmed = Confirmation("heads cleaned", "keyboard", START_NS)
    first, ids = log(
        PositionEntry(2, 1, START_NS),
        ConfirmationEntry(confirmed),
        TrimEntry(TRIM),
        TrimEntry(replace(TRIM, track=4), ((12.5, -0.8344), (19.25, 0.0126))),
        WithdrawalEntry("1", "tablet", START_NS, "wrong screw"),
        PositionEntry(3, 2, START_NS),
    )
    again, more = log(TrimEntry(TRIM), at_ns=LATER_NS)
    assert (again.calibration, again.resumed, again.step, again.bank) == (first.calibration, True, 3, 2)
    assert again.confirmations == (confirmed,)
    assert [one.id for one in again.trims] == [*ids[2:4]]
    assert same(again.trims[0].trim, TRIM)
    assert again.trims[0].withdrawal is not None
    assert (again.trims[0].withdrawal.by, again.trims[0].withdrawal.reason) == ("tablet", "wrong screw")
    assert again.trims[1].trail == ((12.5, -0.834), (19.25, 0.013))
    assert again.next_sequence == 3
    assert more == [f"{first.calibration}.3"]


TURNED = Turned("repro level", 1000.0, 15.0, -2.14, track=3, level_vu=-3.0, at_ns=START_NS)


def test_what_was_turned_and_not_logged_is_known_until_it_is_logged(path: Path, log) -> None:
    said = TurnedEntry(TURNED, "track 3 was still being turned: not logged", START_NS)
    elsewhere = replace(TRIM, adjustment="repro high", tone_hz=10_000.0)
    first, _ = log(TrimEntry(TRIM), said, TrimEntry(replace(TRIM, track=4)), TrimEntry(elsewhere))
    assert log(at_ns=LATER_NS)[0].turned == (TURNED,)
    _, ids = log(TrimEntry(TRIM), at_ns=LATER_NS)
    assert log(at_ns=LATER_NS)[0].turned == ()
    log(WithdrawalEntry(ids[0], "tablet", LATER_NS), at_ns=LATER_NS)
    assert log(at_ns=LATER_NS)[0].turned == (TURNED,)
    with closing(open_reader(path)) as connection:
        assert [line.text for line in lines(connection, first.calibration)] == [said.message]
        sheet = sheet_of(connection, first.calibration)
        assert sheet.missing[0].tracks == (3,)
        assert sheet.turned_text == "repro level 3"


IN_HAND = InHandEntry(TURNED, START_NS)
LET_GO = InHandEntry(TURNED, START_NS, is_over=True)
ELSEWHERE = replace(TRIM, adjustment="repro high", tone_hz=10_000.0)


def test_what_is_in_hand_is_missing_and_is_told_once_when_the_log_is_opened_again(path: Path, log) -> None:
    first, _ = log(TrimEntry(TRIM), IN_HAND, TrimEntry(replace(TRIM, track=4)), TrimEntry(ELSEWHERE))
    with closing(open_reader(path)) as connection:
        assert not list(lines(connection))
        assert not turned_of(connection, first.calibration, list(trims(connection)))
        sheet = sheet_of(connection, first.calibration)
        assert sheet.missing[0].tracks == (3,)
        assert sheet.turned_text == "repro level 3"
    assert log(at_ns=LATER_NS)[0].turned == (TURNED,)
    with closing(open_reader(path)) as connection:
        assert [(line.kind, line.text) for line in lines(connection)] == [
            ("turned", "track 3 was turned just before the program was cut off: not logged")
        ]
        assert sheet_of(connection, first.calibration).missing[0].tracks == (3,)
    # Once is enough.
    assert log(at_ns=LATER_NS + 1)[0].turned == (TURNED,)
    # From here on it is as whatever was turned and not logged: also a trim that is withdrawn leaves it so.
    _, ids = log(TrimEntry(TRIM), at_ns=LATER_NS + 2)
    assert log(at_ns=LATER_NS + 3)[0].turned == ()
    log(WithdrawalEntry(ids[0], "tablet", LATER_NS + 4), at_ns=LATER_NS + 4)
    assert log(at_ns=LATER_NS + 5)[0].turned == (TURNED,)
    with closing(open_reader(path)) as connection:
        assert len(list(lines(connection))) == 1


@pytest.mark.parametrize(
    "entries",
    [
        (IN_HAND, TrimEntry(TRIM)),
        (IN_HAND, TrimEntry(TRIM), WithdrawalEntry("2", "tablet", START_NS)),
        (IN_HAND, LET_GO),
        (IN_HAND, LET_GO, IN_HAND, TrimEntry(ELSEWHERE), TrimEntry(TRIM)),
        (LET_GO,),
    ],
)
def test_what_was_in_hand_and_is_answered_is_no_more(path: Path, log, entries) -> None:
    first, _ = log(TrimEntry(TRIM), *entries)
    with closing(open_reader(path)) as connection:
        sheet = sheet_of(connection, first.calibration)
        assert not sheet.turned
        assert not sheet.turned_text
    assert log(at_ns=LATER_NS)[0].turned == ()
    with closing(open_reader(path)) as connection:
        assert not list(lines(connection))


def test_each_movement_has_an_answer_of_its_own(log) -> None:
    second = replace(TURNED, level_vu=-1.0, at_ns=START_NS + SECOND_NS)
    log(IN_HAND, TrimEntry(TRIM), InHandEntry(second, START_NS))
    assert log(at_ns=LATER_NS)[0].turned == (second,)


def test_of_two_movements_without_an_answer_the_first_tells_what_was_found(log) -> None:
    second = replace(TURNED, level_vu=-1.0, at_ns=START_NS + SECOND_NS)
    log(IN_HAND, InHandEntry(second, START_NS), InHandEntry(second, START_NS, is_over=True))
    assert log(at_ns=LATER_NS)[0].turned == (TURNED,)


def test_what_was_in_hand_and_is_told_as_turned_is_told_once(path: Path, log) -> None:
    said = TurnedEntry(TURNED, "track 3 was turned while held: not logged", START_NS)
    log(IN_HAND, said)
    assert log(at_ns=LATER_NS)[0].turned == (TURNED,)
    with closing(open_reader(path)) as connection:
        assert [line.text for line in lines(connection)] == [said.message]


def test_a_calibration_that_is_replaced_keeps_what_was_in_hand(path: Path, log) -> None:
    first, _ = log(TrimEntry(TRIM), IN_HAND)
    assert log(at_ns=LATER_NS, fresh=True)[0].turned == ()
    with closing(open_reader(path)) as connection:
        assert sheet_of(connection, first.calibration).missing[0].tracks == (3,)


def test_what_was_turned_from_a_level_that_is_not_known_is_kept_too(log) -> None:
    unknown = replace(TURNED, level_vu=math.nan)
    log(TurnedEntry(unknown, "said", START_NS), InHandEntry(replace(unknown, track=4), START_NS))
    turned = log(at_ns=LATER_NS)[0].turned
    assert [one.track for one in turned] == [3, 4]
    assert all(math.isnan(one.level_vu) for one in turned)


def test_what_was_read_first_comes_first(log) -> None:
    later = replace(TURNED, level_vu=-2.5, at_ns=LATER_NS)
    log(TurnedEntry(later, "later", LATER_NS), TurnedEntry(TURNED, "first", START_NS))
    assert log(at_ns=LATER_NS)[0].turned == (TURNED, later)


def test_each_machine_has_its_own(log) -> None:
    first, _ = log()
    other, _ = log(machine="Another one (invented)")
    assert not other.resumed
    assert log(at_ns=LATER_NS)[0].calibration == first.calibration


def test_a_finished_one_is_not_resumed(path: Path, log) -> None:
    first, _ = log(TrimEntry(TRIM), FinishEntry(START_NS))
    again, _ = log(at_ns=LATER_NS)
    assert not again.resumed
    assert again.replaced == ""
    assert ending_of(path, first.calibration) == "finished"


def test_an_old_one_is_replaced(path: Path, log) -> None:
    first, _ = log()
    limit_ns = START_NS + int(RESUME_WITHIN_S) * SECOND_NS
    assert log(at_ns=limit_ns)[0].resumed
    # Resuming was an entry: the time counts from there.
    assert log(at_ns=limit_ns + int(RESUME_WITHIN_S) * SECOND_NS)[0].resumed
    late, _ = log(at_ns=limit_ns + 2 * int(RESUME_WITHIN_S) * SECOND_NS + SECOND_NS)
    assert not late.resumed
    assert late.replaced == f"{first.calibration} was not resumed: its last entry is 72 hours old"
    assert ending_of(path, first.calibration) == f"replaced by {late.calibration}: its last entry is 72 hours old"


def test_a_clock_that_was_set_back_does_not_matter(log) -> None:
    log()
    assert log(at_ns=START_NS - 999 * SECOND_NS)[0].resumed


@pytest.mark.parametrize(
    "steps",
    [
        (LEVEL, HIGH),
        (LOW, LEVEL, HIGH),
        (replace(LEVEL, tolerance_db=0.5), HIGH, LOW),
        (replace(LEVEL, target_vu=LEVEL.target_vu + 0.004), HIGH, LOW),
        (LEVEL, replace(HIGH, target_vu=3.0), LOW),
    ],
    ids=["step left", "order", "tolerance", "target by a hair", "target of a step without trims"],
)
def test_steps_that_leave_the_trims_true_are_taken_up(path: Path, log, steps) -> None:
    first, _ = log(TrimEntry(TRIM), PositionEntry(2, 1, START_NS))
    again, _ = log(at_ns=LATER_NS, steps=steps)
    assert again.calibration == first.calibration
    assert steps[again.step - 1].adjustment == "repro high", "the position follows its step"
    with closing(open_reader(path)) as connection:
        assert steps_of(connection, first.calibration) == steps


@pytest.mark.parametrize(
    "steps",
    [
        (HIGH, LOW),
        (),
        (replace(LEVEL, target_vu=0.0), HIGH, LOW),
        (replace(LEVEL, speed_ips=30.0), HIGH, LOW),
        (replace(LEVEL, tone_hz=700.0), HIGH, LOW),
        (replace(LEVEL, adjustment="sync level"), HIGH, LOW),
    ],
    ids=["step gone", "no steps", "target", "speed", "tone", "adjustment"],
)
def test_steps_that_belie_a_trim_begin_another_calibration(path: Path, log, steps) -> None:
    first, ids = log(TrimEntry(TRIM))
    again, _ = log(at_ns=LATER_NS, steps=steps)
    assert not again.resumed
    reason = f"trim {ids[0]} was made for repro level at 1000 Hz, 15 in/s to −2.14 VU, which is not among the steps now"
    assert again.replaced == f"{first.calibration} was not resumed: {reason}"
    assert ending_of(path, first.calibration) == f"replaced by {again.calibration}: {reason}"


def test_a_withdrawn_trim_does_not_bind_the_steps(log) -> None:
    log(TrimEntry(TRIM), WithdrawalEntry("1", "tablet", START_NS))
    assert log(at_ns=LATER_NS, steps=(HIGH,))[0].resumed


def test_the_position_follows_the_second_of_two_like_steps(log) -> None:
    log(PositionEntry(3, 1, START_NS), steps=(LEVEL, HIGH, LEVEL))
    assert log(at_ns=LATER_NS, steps=(LEVEL, LOW, HIGH, LEVEL))[0].step == 4
    assert log(at_ns=LATER_NS, steps=(LOW, LEVEL))[0].step == 2
    assert log(at_ns=LATER_NS, steps=(LOW, LEVEL))[0].step == 2
    assert log(at_ns=LATER_NS, steps=(LOW, HIGH))[0].step == 1


def test_a_change_of_steps_on_the_way_is_kept(path: Path, log) -> None:
    resumption, _ = log(StepsEntry((HIGH,), START_NS))
    with closing(open_reader(path)) as connection:
        assert steps_of(connection, resumption.calibration) == (HIGH,)
        kept = connection.execute("SELECT revision, count(*) FROM steps GROUP BY revision ORDER BY revision").fetchall()
    assert kept == [(1, len(STEPS)), (2, 1)]


def refusal_of(log, *entries) -> str:
    with pytest.raises(EntryRefusedError) as caught:
        log(*entries)
    return str(caught.value)


def test_withdrawing_what_cannot_be_withdrawn_is_refused(path: Path, log) -> None:
    resumption, ids = log(TrimEntry(TRIM), WithdrawalEntry("1", "tablet", START_NS))
    assert ids == [f"{resumption.calibration}.1"] * 2
    for asked in ("1", ids[0], f" {ids[0]} "):
        reason = refusal_of(log, WithdrawalEntry(asked, "tablet", START_NS))
        assert reason == f"trim {ids[0]} is already withdrawn"
    assert refusal_of(log, WithdrawalEntry("2", "tablet", 1)) == (
        f"there is no trim {resumption.calibration}.2: a number alone is one of the calibration that is open now"
    )
    for asked in ("x", "-1", "20261125-1", "1; DROP TABLE trims", "٣", "99999999999999999999999"):
        assert "there is no trim" in refusal_of(log, WithdrawalEntry(asked, "tablet", 1))
    assert refusal_of(log, WithdrawalEntry("", "tablet", 1)) == "there is no trim without an id"
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*) FROM withdrawals").fetchone() == (1,)


def test_a_withdrawn_trim_is_reinstated_and_may_be_withdrawn_once_more(path: Path, log) -> None:
    _, ids = log(
        TrimEntry(TRIM),
        WithdrawalEntry("1", "tablet", START_NS, "wrong screw"),
        ReinstatementEntry("1", "keyboard", START_NS + 1),
        WithdrawalEntry("1", "keyboard", START_NS + 2, "wrong tape"),
    )
    assert len(set(ids)) == 1
    with closing(open_reader(path)) as reader:
        (withdrawn,) = trims(reader)
    assert withdrawn.withdrawal == Withdrawal(START_NS + 2, "keyboard", "wrong tape")
    assert log(ReinstatementEntry(ids[0], "tablet", START_NS + 3))[1] == ids[:1]
    assert refusal_of(log, ReinstatementEntry("1", "tablet", START_NS)) == f"trim {ids[0]} is not withdrawn: it stands"
    assert "there is no trim" in refusal_of(log, ReinstatementEntry("2", "tablet", START_NS))
    with closing(open_reader(path)) as reader:
        (standing,) = trims(reader)
        assert standing.withdrawal is None
        # All of it is still there to be read.
        assert reader.execute("SELECT count(*) FROM withdrawals").fetchone() == (2,)
        assert reader.execute("SELECT by_whom FROM reinstatements ORDER BY withdrawal").fetchall() == [
            ("keyboard",),
            ("tablet",),
        ]


def test_a_trim_of_an_earlier_calibration_can_be_withdrawn(path: Path, log) -> None:
    _, ids = log(TrimEntry(TRIM), FinishEntry(START_NS))
    assert log(WithdrawalEntry(ids[0], "keyboard", LATER_NS), at_ns=LATER_NS)[1] == ids[:1]


def test_a_finished_calibration_takes_no_more(log) -> None:
    for entry in (TrimEntry(TRIM), NoteEntry("late", START_NS), PositionEntry(1, 1, START_NS), FinishEntry(START_NS)):
        reason = refusal_of(log, FinishEntry(START_NS), entry)
        assert reason.endswith("is finished: start again to begin another")


@pytest.mark.parametrize("name", ["as_left_db", "as_found_db", "spread_db", "target_vu", "tone_hz", "settled_s"])
def test_a_trim_of_infinite_figures_is_refused(log, name: str) -> None:
    assert f"no {name} (inf)" in refusal_of(log, TrimEntry(replace(TRIM, **{name: float("inf")})))


@pytest.mark.parametrize("name", ["target_vu", "tolerance_db", "started_s"])
def test_a_trim_without_what_it_must_have_is_refused(log, name: str) -> None:
    assert f"no {name} (nan)" in refusal_of(log, TrimEntry(replace(TRIM, **{name: float("nan")})))


def test_an_event_that_does_not_go_into_json_is_refused(log) -> None:
    assert "does not go into JSON" in refusal_of(log, EventEntry("k", "m", START_NS, {"what": object()}))
    assert "does not go into JSON" in refusal_of(log, EventEntry("k", "m", START_NS, {"what": float("nan")}))


def test_notes_events_and_confirmations_are_read_in_order(path: Path, log) -> None:
    resumption, _ = log(
        EventEntry("source back", "the interface answers again", START_NS + 3, {"seconds": 2.5}),
        NoteEntry("Bürste klemmt\nan Spur 7", START_NS + 2),
        ConfirmationEntry(Confirmation("heads cleaned", "keyboard", START_NS + 1)),
    )
    with closing(open_reader(path)) as connection:
        found = list(lines(connection))
        assert found == list(lines(connection, resumption.calibration))
        assert not list(lines(connection, "20200101-1"))
        (glance,) = calibrations(connection)
        assert not list(trims(connection))
    assert [(line.kind, line.text, line.details) for line in found] == [
        ("confirmation", "heads cleaned", {"by": "keyboard"}),
        ("note", "Bürste klemmt\nan Spur 7", {}),
        ("source back", "the interface answers again", {"seconds": 2.5}),
    ]
    assert (glance.machine, glance.ended_ns, glance.ending, glance.trims) == (MACHINE, None, "", 0)
