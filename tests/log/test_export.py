"""The export against readers that are not ours: json, csv, the shell of SQLite, and the grammar of RFC 4180."""

import csv
import io
import json
import math
import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.log.calibrations import begin_or_resume
from bridge.log.entries import TrimEntry, WithdrawalEntry
from bridge.log.export import COLUMNS, csv_lines, iso_8601, jsonl
from bridge.log.queries import LoggedTrim, Selection, trims
from bridge.log.store import Store, open_reader
from bridge.log.writing import write_entry
from bridge.readings import Trim
from bridge.tape.machine import ADJUSTMENTS
from tests.log.examples import START_NS, TRIM, opening, same

CONTRACT = [
    "id", "calibration", "machine", "track", "path", "adjustment", "tone_hz", "speed_ips", "target_vu", "as_found_db",
    "as_left_db", "spread_db", "tolerance_db", "within_tolerance", "started_s", "settled_s", "started_at",
    "settled_at", "origin",
]  # fmt: skip
"""What the interface promises, written out a second time."""

ADDED = ["withdrawn", "standard_error_db", "kind"]
"""What has joined it, in the order of joining."""

LEVELS = st.floats(-200.0, 60.0)
MEASURED = LEVELS | st.just(math.nan)
SECONDS = st.floats(0.0, 1e6)
TIMES_NS = st.integers(0, 253_402_300_799_999_999_999 // 100)
TEXTS = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=40)
TRIMS = st.builds(
    Trim,
    machine=TEXTS,
    track=st.integers(1, 64),
    path=st.sampled_from(["repro", "sync", "input"]),
    adjustment=st.sampled_from(ADJUSTMENTS),
    tone_hz=st.floats(20.0, 20_000.0),
    speed_ips=st.floats(0.9375, 60.0),
    target_vu=LEVELS,
    as_found_db=MEASURED,
    as_left_db=MEASURED,
    spread_db=MEASURED,
    tolerance_db=st.floats(0.001, 12.0),
    started_s=SECONDS,
    settled_s=SECONDS,
    started_ns=TIMES_NS,
    settled_ns=TIMES_NS,
    origin=st.sampled_from(["automatic", "by hand"]),
    standard_error_db=st.floats(0.0, 6.0) | st.just(math.nan),
    kind=st.sampled_from(["trim", "undone", "verified", "by hand", None]),
)
TRAILS = st.lists(st.tuples(SECONDS, LEVELS), max_size=20).map(tuple)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory):
    path = tmp_path_factory.mktemp("export") / "log.db"
    with closing(Store(path)) as store:
        # The many trims of this module need not outlive a power cut.
        store.connection.execute("PRAGMA synchronous = OFF")
        with store.transaction(lambda: False) as connection:
            begin_or_resume(connection, opening())
        yield store


def log_and_read(store: Store, *entries: TrimEntry | WithdrawalEntry) -> list[LoggedTrim]:
    with closing(open_reader(store.path)) as reader:
        calibration = reader.execute("SELECT id FROM calibrations").fetchone()[0]
        with store.transaction(lambda: False) as connection:
            ids = [write_entry(connection, calibration, entry) for entry in entries]
        return [one for one in trims(reader) if one.id in ids]


def rfc_4180_records(text: str) -> list[list[str]]:
    """Read by the grammar of RFC 4180, section 2: every record ends in CRLF, nothing outside the grammar passes.

    Here TEXTDATA is any character but comma, CR, LF and quote: the RFC's is ASCII, its section 3 allows charsets.
    """
    field = re.compile(r'"((?:[^"]|"")*)"|([^",\r\n]*)')
    records, record, at = [], [], 0
    while at < len(text):
        match = field.match(text, at)
        assert match
        record.append(match[2] if match[1] is None else match[1].replace('""', '"'))
        at = match.end()
        if text.startswith(",", at):
            at += 1
        else:
            assert text.startswith("\r\n", at), f"neither a comma nor CRLF at {text[at : at + 20]!r}"
            at += 2
            records.append(record)
            record = []
    assert not record
    return records


@settings(deadline=None)
@given(trim=TRIMS, trail=TRAILS)
def test_a_trim_comes_back_as_it_was_logged(store: Store, trim: Trim, trail) -> None:
    (logged,) = log_and_read(store, TrimEntry(trim, trail))
    assert same(logged.trim, trim)
    assert len(logged.trail) == len(trail)
    for (at_s, level_db), (wanted_s, wanted_db) in zip(logged.trail, trail, strict=True):
        assert abs(at_s - wanted_s) <= 0.000_501
        assert abs(level_db - wanted_db) <= 0.000_501


@settings(deadline=None)
@given(trim=TRIMS)
def test_every_export_says_the_same(store: Store, trim: Trim) -> None:
    (logged,) = log_and_read(store, TrimEntry(trim))
    (line,) = jsonl([logged])
    assert line.endswith("}\n")
    assert line.count("\n") == 1
    found = json.loads(line, parse_constant=lambda name: pytest.fail(f"{name} is not JSON (RFC 8259, section 6)"))
    assert list(found) == [*CONTRACT, *ADDED]
    for name, places in {
        "tone_hz": 3, "speed_ips": 4, "target_vu": 3, "as_found_db": 3, "as_left_db": 3, "spread_db": 3,
        "tolerance_db": 3, "started_s": 3, "settled_s": 3, "standard_error_db": 3,
    }.items():  # fmt: skip
        value = getattr(trim, name)
        if math.isnan(value):
            assert found[name] is None
        else:
            assert abs(found[name] - value) <= 0.501 * 10.0**-places
            assert len(repr(found[name]).partition(".")[2].partition("e")[0]) <= places
            assert not repr(found[name]).startswith("-0.0") or found[name] != 0.0
    assert (found["machine"], found["track"], found["path"]) == (trim.machine, trim.track, trim.path)
    assert (found["adjustment"], found["origin"]) == (trim.adjustment, trim.origin)
    assert found["kind"] == trim.kind
    assert found["id"] == logged.id
    assert logged.id.startswith(f"{found['calibration']}.")
    left_db = found["as_left_db"]
    within = left_db is not None and abs(left_db) <= found["tolerance_db"]
    assert found["within_tolerance"] is (None if trim.adjustment == "bias" else within)
    for name, unix_ns in (("started_at", trim.started_ns), ("settled_at", trim.settled_ns)):
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", found[name])
        late_ns = (
            unix_ns
            - (datetime.fromisoformat(found[name]) - datetime(1970, 1, 1, tzinfo=UTC))
            / timedelta(microseconds=1)
            * 1000
        )
        assert -1000 <= late_ns < 1_001_000
    text = "".join(csv_lines([logged]))
    rows = rfc_4180_records(text)
    assert rows[0] == [*CONTRACT, *ADDED]
    assert rows == list(csv.reader(io.StringIO(text, newline=""), strict=True))
    as_text = {None: "", True: "true", False: "false"}
    assert rows[1] == [
        as_text[value] if value is None or isinstance(value, bool) else str(value) for value in found.values()
    ]


@pytest.mark.parametrize(
    ("machine", "written"),
    [
        ("plain", "plain"),
        ("two, in fact", '"two, in fact"'),
        ('the "old" one', '"the ""old"" one"'),
        ("up\r\ndown", '"up\r\ndown"'),
        ("up\rdown", '"up\rdown"'),
        ("up\ndown", '"up\ndown"'),
        ('"', '""""'),
        (" spaces stay ", " spaces stay "),
        ("Größe 2″ µ", "Größe 2″ µ"),
        ("", ""),
    ],
)
def test_names_are_quoted_as_rfc_4180_says(store: Store, machine: str, written: str) -> None:
    # RFC 4180, section 2, rules 5 to 7; rule 4: spaces are part of a field.
    header, line = csv_lines(log_and_read(store, TrimEntry(replace(TRIM, machine=machine))))
    assert header == ",".join([*CONTRACT, *ADDED]) + "\r\n"
    assert line.split(",", 2)[2].startswith(f"{written},3,repro,repro level,1000.0,15.0,-2.14,-0.834,0.013,0.021,0.1,")
    assert line.endswith(",by hand,false,,by hand\r\n")


def test_the_billionth_second() -> None:
    # Unix time 1 000 000 000 was 2001-09-09 01:46:40 UTC (general knowledge; `date -u -d @1000000000` agrees).
    assert iso_8601(1_000_000_000_999_999_999) == "2001-09-09T01:46:40.999Z"
    assert iso_8601(0) == "1970-01-01T00:00:00.000Z"


def test_a_figure_that_reads_as_within_is_within(store: Store) -> None:
    (logged,) = log_and_read(store, TrimEntry(replace(TRIM, as_left_db=-0.100_4)))
    (line,) = jsonl([logged])
    assert '"as_left_db": -0.1, "spread_db": 0.021, "tolerance_db": 0.1, "within_tolerance": true' in line


def test_withdrawn_trims_are_marked_or_left_out(store: Store) -> None:
    (first,) = log_and_read(store, TrimEntry(replace(TRIM, machine="only these (invented)")))
    log_and_read(store, TrimEntry(replace(TRIM, machine="only these (invented)")))
    log_and_read(store, WithdrawalEntry(first.id, "tablet", START_NS))
    with closing(open_reader(store.path)) as reader:
        chosen = Selection(machine="only these (invented)")
        marks = [json.loads(line)["withdrawn"] for line in jsonl(trims(reader, chosen))]
        kept = [json.loads(line)["id"] for line in jsonl(trims(reader, replace(chosen, with_withdrawn=False)))]
    assert marks == [True, False]
    assert len(kept) == 1
    assert kept != [first.id]


def test_the_columns_are_those_of_the_contract() -> None:
    assert [*COLUMNS] == [*CONTRACT, *ADDED]


def test_what_is_exported_adds_up_to_what_sqlite_finds(store: Store, tmp_path: Path) -> None:
    for left_db in (0.25, -0.125, 0.5):
        log_and_read(store, TrimEntry(replace(TRIM, machine="to add up (invented)", as_left_db=left_db)))
    file = tmp_path / "export.csv"
    with closing(open_reader(store.path)) as reader, file.open("w", encoding="utf-8", newline="") as out:
        out.writelines(csv_lines(trims(reader, Selection(machine="to add up (invented)"))))
    with file.open(encoding="utf-8", newline="") as back:
        rows = list(csv.DictReader(back, strict=True))
    with closing(sqlite3.connect(store.path)) as shell:
        found = shell.execute(
            "SELECT count(*), sum(as_left_db), max(settled_ns) / 1000000 FROM trims WHERE machine LIKE 'to add up%'"
        ).fetchone()
    assert found[:2] == (len(rows), sum(float(row["as_left_db"]) for row in rows)) == (3, 0.625)
    assert found[2] == datetime.fromisoformat(rows[-1]["settled_at"]).timestamp() * 1000


def test_rows_are_streamed(store: Store) -> None:
    log_and_read(store, *[TrimEntry(TRIM)] * 3)
    with closing(open_reader(store.path)) as reader:
        rows = jsonl(trims(reader))
        first = next(rows)
        (late,) = log_and_read(store, TrimEntry(TRIM))
        assert json.loads(first)["id"].endswith(".1")
        # A reader sees the log as it was when it began: SQLite, "Write-Ahead Logging", 2.2.
        assert late.id not in {json.loads(line)["id"] for line in rows}
