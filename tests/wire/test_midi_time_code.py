"""Time code held against its published example and against a transmitter written here from the specification."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.wire.midi_time_code import DROP_FRAME, TimeCode, TimeCodeFollower, frames_per_day, full_frame

# The quarter frames of 01:30:35:20 at 30 frames a second, and its full frame: the worked example of RP-004/008.
EXAMPLE = TimeCode(3, 1, 30, 35, 20)
QUARTER_FRAMES = "F104 F111 F123 F132 F14E F151 F161 F176"
FULL_FRAME = "F07F7F0101611E2314F7"

RATES = st.integers(0, 3)
NOMINAL = (24, 25, 30, 30)
TRUE = (24.0, 25.0, 30 / 1.001, 30.0)


def pieces(hours: int, minutes: int, seconds: int, frames: int, rate: int) -> list[bytes]:
    """Return the eight quarter frames of a time, written from the specification's table."""
    nibbles = [frames & 15, frames >> 4, seconds & 15, seconds >> 4, minutes & 15, minutes >> 4]
    nibbles += [hours & 15, rate << 1 | hours >> 4]
    return [bytes((0xF1, number << 4 | nibble)) for number, nibble in enumerate(nibbles)]


def written(time: TimeCode) -> list[bytes]:
    return pieces(time.hours, time.minutes, time.seconds, time.frames, time.rate)


def play(follower: TimeCodeFollower, first: int, rate: int, cycles: int, start_s: float, speed: float = 1.0) -> float:
    """Send quarter frames of a running tape; return when the next one would be due."""
    now_s = start_s
    for cycle in range(cycles):
        for piece in written(TimeCode.from_count(first + 2 * cycle, rate)):
            follower.receive(piece, now_s)
            now_s += 0.25 / TRUE[rate] / speed
    return now_s


def test_the_published_example() -> None:
    assert full_frame(bytes.fromhex(FULL_FRAME)) == EXAMPLE
    assert written(EXAMPLE) == [bytes.fromhex(piece) for piece in QUARTER_FRAMES.split()]
    follower = TimeCodeFollower()
    quarter_s = 1 / 120
    for number, piece in enumerate(QUARTER_FRAMES.split()):
        assert follower.time_code(number * quarter_s) is None
        assert follower.receive(bytes.fromhex(piece), number * quarter_s)
    # "The receiver adds two frames": when the eight quarter frames are over.
    over_s = 8 * quarter_s
    assert follower.frames(over_s) == pytest.approx(EXAMPLE.count + 2)
    assert str(follower.time_code(over_s)) == "01:30:35:22"
    assert follower.running(over_s)
    assert follower.position_s(over_s) == pytest.approx(3600 + 30 * 60 + 35 + 22 / 30)


def test_a_full_frame_is_where_the_tape_stands() -> None:
    follower = TimeCodeFollower()
    assert follower.receive(bytes.fromhex(FULL_FRAME), 5.0)
    assert follower.time_code(99.0) == EXAMPLE
    assert not follower.running(5.0)
    assert not follower.receive(bytes.fromhex("F07F7F060102F7"), 5.0)
    assert not follower.receive(b"\xf8", 5.0)


@given(rate=RATES, count=st.integers(0, 30 * 86_400))
def test_every_frame_has_one_number(rate: int, count: int) -> None:
    count %= frames_per_day(rate)
    time = TimeCode.from_count(count, rate)
    assert time.exists
    assert time.count == count


def test_drop_frame_by_the_standard() -> None:
    """SMPTE ST 12-1: numbers 0 and 1 are left out at each minute but 0, 10, 20, 30, 40, 50; an hour has 107,892."""
    assert str(TimeCode.from_count(1799, DROP_FRAME)) == "00:00:59;29"
    assert str(TimeCode.from_count(1800, DROP_FRAME)) == "00:01:00;02"
    assert str(TimeCode.from_count(17_982, DROP_FRAME)) == "00:10:00;00"
    assert TimeCode(DROP_FRAME, 1, 0, 0, 0).count == 107_892
    assert TimeCode(DROP_FRAME, 1, 0, 0, 0).position_s == pytest.approx(3599.9964)
    assert frames_per_day(DROP_FRAME) == 24 * 107_892
    assert not TimeCode(DROP_FRAME, 0, 1, 0, 0).exists
    assert TimeCode(DROP_FRAME, 0, 10, 0, 0).exists
    brute = [
        (hours, minutes, seconds, frames)
        for hours in range(2)
        for minutes in range(60)
        for seconds in range(60)
        for frames in range(30)
        if not (minutes % 10 and seconds == 0 and frames < 2)
    ]
    for count in (*range(0, len(brute), 997), len(brute) - 1):
        assert TimeCode(DROP_FRAME, *brute[count]) == TimeCode.from_count(count, DROP_FRAME)


@given(rate=RATES, first=st.integers(0, 2_000_000), speed=st.floats(0.5, 2.0))
def test_a_running_tape_is_followed_at_every_rate(rate: int, first: int, speed: float) -> None:
    first %= frames_per_day(rate) - 100
    follower = TimeCodeFollower()
    due_s = play(follower, first, rate, 5, 100.0, speed)
    follower.receive(written(TimeCode.from_count(first + 10, rate))[0], due_s)
    assert follower.frames(due_s) == pytest.approx(first + 10, abs=0.3)
    assert (follower.jumps, follower.losses, follower.refused) == (0, 0, 0)


def test_a_tape_that_runs_backwards() -> None:
    follower = TimeCodeFollower()
    now_s, first = 50.0, 90_000
    for cycle in range(4):
        for piece in reversed(written(TimeCode.from_count(first - 2 * cycle, 1))):
            follower.receive(piece, now_s)
            last_s = now_s
            now_s += 0.01
    assert follower.frames(last_s) == pytest.approx(first - 6)
    assert follower.frames(last_s + 0.01) == pytest.approx(first - 6.25)
    assert follower.jumps == 0


def test_a_stop_keeps_the_position_and_a_jump_is_counted() -> None:
    follower = TimeCodeFollower()
    due_s = play(follower, 1000, 1, 3, 0.0)
    stopped_at = follower.frames(due_s + 10)
    assert not follower.running(due_s + 10)
    assert stopped_at == pytest.approx(1000 + 6 - 0.25, abs=0.01)
    assert follower.frames(due_s + 100) == stopped_at
    due_s = play(follower, 50_000, 1, 2, due_s + 100)
    assert follower.jumps == 1
    assert follower.frames(due_s) == pytest.approx(50_004, abs=0.3)
    play(follower, 70_000, 1, 2, due_s)
    assert follower.jumps == 2


@given(lost=st.sets(st.integers(0, 79), min_size=1, max_size=4))
def test_lost_quarter_frames_do_not_move_the_tape(lost: set[int]) -> None:
    follower = TimeCodeFollower()
    stream = [piece for cycle in range(10) for piece in written(TimeCode.from_count(500 + 2 * cycle, 3))]
    stream += [piece for cycle in range(10, 13) for piece in written(TimeCode.from_count(500 + 2 * cycle, 3))]
    quarter_s = 1 / 120
    known = False
    for number, piece in enumerate(stream):
        if number in lost:
            continue
        follower.receive(piece, number * quarter_s)
        frames = follower.frames(number * quarter_s)
        known = known or not math.isnan(frames)
        if known:
            assert frames == pytest.approx(500 + number / 4, abs=1.01)
    assert follower.jumps == 0
    assert follower.frames((len(stream) - 1) * quarter_s) == pytest.approx(500 + (len(stream) - 1) / 4, abs=0.01)
    gaps = [number for number in lost if number > 0 and number - 1 not in lost]
    assert follower.losses == len(gaps)


def test_a_time_that_does_not_exist_is_refused() -> None:
    follower = TimeCodeFollower()
    play(follower, 1000, 3, 2, 0.0)
    before = follower.frames(99.0)
    for index, piece in enumerate(pieces(25, 61, 10, 5, 3)):
        follower.receive(piece, 100.0 + index / 120)
    follower.receive(bytes.fromhex("F07F7F0101613C2314F7"), 110.0)
    assert follower.refused == 2
    assert follower.frames(111.0) == pytest.approx(before, abs=2)


@given(st.lists(st.tuples(st.integers(0, 127), st.floats(0, 0.2)), max_size=200))
def test_any_quarter_frames_give_a_position_or_none(noise: list[tuple[int, float]]) -> None:
    follower = TimeCodeFollower()
    now_s = 0.0
    for value, wait_s in noise:
        now_s += wait_s
        follower.receive(bytes((0xF1, value)), now_s)
        time = follower.time_code(now_s)
        assert time is None or time.exists
