"""What counts as complete: by what stands in the log, whatever became of the config meanwhile."""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.procedure.progress import Found, Missing, Progress, Record
from bridge.procedure.steps import Step, belongs
from bridge.readings import Trim
from tests.procedure.studio import BIAS, HIGH, LEVEL, SLOW, SYNC

STEPS = (LEVEL, HIGH, SYNC, SLOW, BIAS)
TRACKS = (1, 2, 3)


def trim(step: Step, track: int, found_db: float = -1.0, left_db: float = 0.0, **changes: object) -> Trim:
    made = Trim(
        "invented machine", track, "repro", step.adjustment, step.tone_hz, step.speed_ips, step.target_vu,
        found_db, left_db, 0.02, step.tolerance_db, 10.0, 15.0, 10_000, 15_000, "automatic", 0.01, "trim",
    )  # fmt: skip
    return replace(made, **changes)


def test_a_trim_belongs_to_its_own_step_only() -> None:
    for step in STEPS:
        assert [belongs(trim(step, 1), other) for other in STEPS] == [other is step for other in STEPS]


def test_a_step_may_change_a_little_and_keep_its_trims() -> None:
    made = trim(LEVEL, 1)
    assert belongs(made, replace(LEVEL, tolerance_db=0.5, target_vu=LEVEL.target_vu + 0.005, tone_hz=997.0))
    assert not belongs(made, replace(LEVEL, target_vu=LEVEL.target_vu + 0.1))
    assert not belongs(made, replace(LEVEL, tone_hz=1250.0))
    # The peak of bias is wherever it is.
    assert belongs(trim(BIAS, 1, target_vu=-3.0), BIAS)


def test_two_tones_of_one_frequency_are_two_steps() -> None:
    """A tape that has 1 kHz at the reference level and 10 dB below it."""
    low = replace(LEVEL, target_vu=LEVEL.target_vu - 10.0)
    progress = Progress()
    progress.logged(Record("a", trim(LEVEL, 1)))
    assert progress.missing((LEVEL, low), (1,)) == (Missing(2, (1,)),)


def test_missing_is_said_in_few_words() -> None:
    assert str(Missing(3, (1, 2, 3, 4, 7, 9, 10))) == "step 3: tracks 1-4, 7, 9-10"


def test_a_trimmer_that_moved_after_its_record_is_incomplete_until_it_is_logged() -> None:
    progress = Progress()
    progress.logged(Record("a", trim(LEVEL, 1)))
    progress.turned(LEVEL, 1, Found(-1.4, 20.0))
    progress.turned(LEVEL, 1, Found(-0.9, 30.0))
    assert progress.unlogged(LEVEL, 1) == Found(-1.4, 20.0)
    assert not progress.is_complete(LEVEL, 1)
    assert progress.is_complete(LEVEL, 1) is progress.is_complete(SYNC, 1)
    progress.await_log(trim(LEVEL, 1))
    assert progress.is_complete(LEVEL, 1)


def test_a_log_that_comes_back_does_not_hide_what_was_turned_meanwhile() -> None:
    progress = Progress()
    progress.turned(LEVEL, 1, Found(-1.4, 20.0))
    progress.restore([Record("a", trim(LEVEL, 1)), Record("b", trim(LEVEL, 2))])
    assert not progress.is_complete(LEVEL, 1)
    assert progress.is_complete(LEVEL, 2)
    assert progress.newest == "b"
    progress.clear()
    assert progress.unlogged(LEVEL, 1) is None
    assert progress.newest == ""


CELLS = st.tuples(st.sampled_from(STEPS), st.sampled_from(TRACKS))
Happened = list[tuple[tuple[Step, int], str]]
HAPPENED = st.lists(st.tuples(CELLS, st.sampled_from(("logged", "awaited", "turned"))), max_size=20)


def seen(progress: Progress) -> object:
    cells = [(step, track) for step in STEPS for track in TRACKS]
    return (
        progress.missing(STEPS, TRACKS),
        [progress.standing(*cell) for cell in cells],
        [progress.unlogged(*cell) for cell in cells],
        progress.newest,
    )


@settings(deadline=None)
@given(HAPPENED, CELLS)
def test_withdrawing_is_the_exact_inverse_of_logging(happened: Happened, cell: object) -> None:
    progress = Progress()
    for number, ((step, track), what) in enumerate(happened):
        if what == "turned":
            progress.turned(step, track, Found(-number, number))
        else:
            made = trim(step, track, left_db=number / 10.0)
            progress.await_log(made)
            if what == "logged":
                progress.logged(Record(f"{number}", made))
    step, track = cell  # type: ignore[misc]
    before, revision = seen(progress), progress.revision
    made = trim(step, track, left_db=9.0)
    progress.await_log(made)
    progress.logged(Record("new", made))
    assert progress.found_and_left(step, track)[1] == made  # type: ignore[index]
    assert progress.withdrawn("new") == made
    assert seen(progress) == before
    assert progress.revision > revision
    assert progress.withdrawn("new") is None


@settings(deadline=None)
@given(HAPPENED, st.integers(0, 19))
def test_reinstating_is_the_exact_inverse_of_withdrawing(happened: Happened, number: int) -> None:
    progress = Progress()
    for place, ((step, track), what) in enumerate(happened):
        if what == "turned":
            progress.turned(step, track, Found(-place, place))
        else:
            made = trim(step, track, left_db=place / 10.0)
            progress.await_log(made)
            if what == "logged":
                progress.logged(Record(f"{place}", made))
    before = seen(progress)
    made = progress.withdrawn(f"{number}")
    revision = progress.revision
    assert progress.reinstated(f"{number}") == made
    assert seen(progress) == before
    assert (progress.revision > revision) is (made is not None)
    assert progress.reinstated(f"{number}") is None


def test_what_was_turned_after_a_withdrawal_is_missing_also_when_the_trim_stands_again() -> None:
    progress = Progress()
    progress.turned(LEVEL, 1, Found(-1.4, 20.0))
    progress.await_log(trim(LEVEL, 1))
    progress.logged(Record("a", trim(LEVEL, 1)))
    progress.withdrawn("a")
    progress.turned(LEVEL, 1, Found(-0.4, 30.0))
    assert progress.reinstated("a") == trim(LEVEL, 1)
    assert progress.standing(LEVEL, 1) == (trim(LEVEL, 1),)
    assert not progress.is_complete(LEVEL, 1)
    progress.await_log(trim(LEVEL, 1))
    assert progress.is_complete(LEVEL, 1)


def test_a_withdrawn_trim_of_a_calibration_that_is_resumed_stands_again_in_its_place() -> None:
    progress = Progress()
    first, last = trim(LEVEL, 1, left_db=0.1), trim(LEVEL, 1, left_db=0.2)
    progress.restore([Record("a", first), Record("b", last)], ["a"])
    assert progress.standing(LEVEL, 1) == (last,)
    assert progress.reinstated("a") == first
    assert progress.found_and_left(LEVEL, 1) == (first, last)
    assert progress.newest == "b"


@settings(deadline=None)
@given(HAPPENED)
def test_a_refused_trim_leaves_nothing_behind(happened: Happened) -> None:
    progress = Progress()
    for number, ((step, track), what) in enumerate(happened):
        before = seen(progress)
        made = trim(step, track, left_db=number / 10.0)
        progress.await_log(made)
        progress.not_logged(made)
        assert seen(progress) == before
        if what == "turned":
            progress.turned(step, track, Found(-number, number))
        elif what == "logged":
            progress.logged(Record(f"{number}", made))


def test_a_trim_of_another_calibration_is_not_withdrawn_here() -> None:
    progress = Progress()
    progress.logged(Record("mine", trim(LEVEL, 1)))
    revision = progress.revision
    assert progress.withdrawn("another") is None
    assert progress.revision == revision
    assert progress.standing(LEVEL, 1) == (trim(LEVEL, 1),)
