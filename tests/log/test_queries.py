import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from bridge.log.entries import FinishEntry, TrimEntry, WithdrawalEntry
from bridge.log.queries import Selection, calibrations, day_ns, trims
from bridge.log.store import open_reader
from tests.log.examples import MACHINE, SECOND_NS, START_NS, TRIM

HOUR_NS = 3600 * SECOND_NS
OTHER = "Attic eight-track (invented)"


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Two hours west, with summer time from March to October, as POSIX writes it."""
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "WST2WSS1,M3.5.0/2,M10.5.0/3")
        time.tzset()
        yield
    time.tzset()


@pytest.fixture
def filled(path: Path, log) -> Path:
    for hours, machine, tracks in ((0, MACHINE, (1, 2, 3)), (48, OTHER, (1, 8))):
        at_ns = START_NS + hours * HOUR_NS
        log(
            *(
                TrimEntry(replace(TRIM, machine=machine, track=track, settled_ns=at_ns + track * HOUR_NS))
                for track in tracks
            ),
            WithdrawalEntry("1", "tablet", at_ns),
            FinishEntry(at_ns),
            machine=machine,
            at_ns=at_ns,
        )
    return path


def chosen(path: Path, **filters: object) -> list[tuple[str, int]]:
    with closing(open_reader(path)) as connection:
        return [(one.trim.machine, one.trim.track) for one in trims(connection, Selection(**filters))]


def test_all_in_the_order_of_logging(filled: Path) -> None:
    assert chosen(filled) == [(MACHINE, 1), (MACHINE, 2), (MACHINE, 3), (OTHER, 1), (OTHER, 8)]


@pytest.mark.parametrize(
    ("filters", "wanted"),
    [
        ({"machine": OTHER}, [(OTHER, 1), (OTHER, 8)]),
        ({"machine": "nobody's"}, []),
        ({"tracks": frozenset({1, 3})}, [(MACHINE, 1), (MACHINE, 3), (OTHER, 1)]),
        ({"tracks": frozenset()}, []),
        ({"with_withdrawn": False}, [(MACHINE, 2), (MACHINE, 3), (OTHER, 8)]),
        ({"from_ns": START_NS + 2 * HOUR_NS, "until_ns": START_NS + 49 * HOUR_NS}, [(MACHINE, 2), (MACHINE, 3)]),
        ({"from_ns": START_NS + 49 * HOUR_NS}, [(OTHER, 1), (OTHER, 8)]),
        ({"machine": MACHINE, "tracks": frozenset({2, 8}), "with_withdrawn": False}, [(MACHINE, 2)]),
    ],
)
def test_filters_join(filled: Path, filters: dict[str, object], wanted: list[tuple[str, int]]) -> None:
    assert chosen(filled, **filters) == wanted


def test_by_calibration(filled: Path) -> None:
    with closing(open_reader(filled)) as connection:
        first, second = calibrations(connection)
    assert (first.machine, first.trims, first.withdrawn, first.ending) == (MACHINE, 3, 1, "finished")
    assert (second.machine, second.trims, second.withdrawn, second.started_ns) == (
        OTHER, 2, 1, START_NS + 48 * HOUR_NS,
    )  # fmt: skip
    assert chosen(filled, calibration=second.id) == [(OTHER, 1), (OTHER, 8)]
    assert chosen(filled, calibration="20200101-1") == []


def test_a_calibration_counts_its_resumptions(path: Path, log) -> None:
    for seconds in range(4):
        log(at_ns=START_NS + seconds * SECOND_NS)
    with closing(open_reader(path)) as connection:
        assert [one.resumptions for one in calibrations(connection)] == [3]


@pytest.mark.usefixtures("zone")
def test_days_are_local_and_as_long_as_they_are() -> None:
    # 2026-11-25T00:00 two hours west of Greenwich is 02:00 UTC, 7 hours before START_NS.
    assert day_ns(date(2026, 11, 25), date(2026, 11, 25)) == (START_NS - 7 * HOUR_NS, START_NS + 17 * HOUR_NS)
    begin_ns, end_ns = day_ns(date(2026, 10, 25), date(2026, 10, 25))
    assert end_ns - begin_ns == 25 * HOUR_NS
    begin_ns, end_ns = day_ns(date(2026, 11, 24), date(2026, 11, 25))
    assert end_ns - begin_ns == 48 * HOUR_NS
