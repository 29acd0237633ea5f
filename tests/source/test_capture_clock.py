"""The clock against simulated truth: the test knows when each frame was captured, the clock only when it arrived."""

import random
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.source.capture_clock import CaptureClock

WALL_NS = 1_795_000_000 * 10**9
RATES_HZ = st.sampled_from([44_100, 48_000, 88_200, 96_000, 176_400, 192_000])


class Stream:
    """An interface with its own crystal, whose callbacks come late."""

    def __init__(self, rate_hz: int, block_frames: int, off_ppm: float, jitter_s: float, seed: int = 1) -> None:
        self.clock = CaptureClock(rate_hz)
        self.rate_hz = rate_hz
        self.block_frames = block_frames
        self.true_rate_hz = rate_hz * (1.0 + off_ppm * 1e-6)
        self.jitter_s = jitter_s
        self.random = random.Random(seed)
        self.end_frame = 0
        self.wall_ns = WALL_NS
        self.true_ns: list[int] = []
        self.stamps: list[int] = []

    def run(self, duration_s: float, late_s: float = 0.0) -> None:
        for _ in range(max(1, round(duration_s * self.rate_hz / self.block_frames))):
            self.block(late_s + (self.random.expovariate(1.0 / self.jitter_s) if self.jitter_s else 0.0))

    def block(self, late_s: float) -> None:
        self.end_frame += self.block_frames
        true_ns = 10**12 + round(self.end_frame / self.true_rate_hz * 1e9)
        arrived_ns = true_ns + round(late_s * 1e9)
        self.true_ns.append(true_ns + self.wall_ns)
        self.stamps.append(self.clock.stamp(self.end_frame, arrived_ns, arrived_ns + self.wall_ns))

    def off_s(self, count: int) -> float:
        """The worst error of the last so many stamps."""
        pairs = zip(self.stamps[-count:], self.true_ns[-count:], strict=True)
        return max(abs(stamp - true) for stamp, true in pairs) * 1e-9

    def slopes(self, count: int) -> list[float]:
        """How far the steps between the last so many stamps are off the nominal ones, as a ratio."""
        nominal_ns = self.block_frames * 1e9 / self.rate_hz
        return [(later - earlier) / nominal_ns - 1.0 for earlier, later in pairwise(self.stamps[-count:])]


@settings(max_examples=40, deadline=None)
@given(
    rate_hz=RATES_HZ,
    block_frames=st.sampled_from([256, 441, 512, 1024, 4096]),
    off_ppm=st.floats(-200.0, 200.0),
    jitter_s=st.floats(0.0, 0.001),
    seed=st.integers(0, 1000),
)
def test_follows_the_interfaces_own_clock(
    rate_hz: int, block_frames: int, off_ppm: float, jitter_s: float, seed: int
) -> None:
    stream = Stream(rate_hz, block_frames, off_ppm, jitter_s, seed)
    stream.block(0.010)
    stream.run(15.0)
    blocks = round(10.0 * rate_hz / block_frames)
    assert stream.off_s(blocks) < 0.002
    assert all(abs(slope) < 0.002 for slope in stream.slopes(blocks))
    assert all(later > earlier for earlier, later in pairwise(stream.stamps))
    assert stream.clock.steps == 0


@settings(max_examples=200, deadline=None)
@given(
    RATES_HZ,
    st.lists(
        st.tuples(st.integers(1, 200_000), st.integers(-(10**9), 20 * 10**9), st.integers(-(10**13), 10**13)),
        min_size=2,
        max_size=60,
    ),
)
def test_increases_strictly_whatever_the_clocks_say(rate_hz: int, blocks: list[tuple[int, int, int]]) -> None:
    clock = CaptureClock(rate_hz)
    end_frame, monotonic_ns = 0, 10**12
    stamps = []
    for frames, elapsed_ns, wall_ns in blocks:
        end_frame += frames
        monotonic_ns += elapsed_ns
        stamps.append(clock.stamp(end_frame, monotonic_ns, WALL_NS + wall_ns))
    assert all(later > earlier for earlier, later in pairwise(stamps))


@pytest.mark.parametrize("off_ppm", [-200.0, 0.0, 200.0])
def test_settles_to_a_fraction_of_a_millisecond(off_ppm: float) -> None:
    stream = Stream(96_000, 512, off_ppm, jitter_s=0.0005)
    stream.run(60.0)
    assert stream.off_s(1000) < 0.0002
    # The drift itself is read to some ppm.
    slopes = stream.slopes(1000)
    assert sum(slopes) / len(slopes) * 1e6 == pytest.approx(-off_ppm, abs=10.0)


def test_a_late_callback_does_not_bend_the_stamps() -> None:
    stream = Stream(48_000, 512, 0.0, jitter_s=0.0001)
    stream.run(20.0)
    stream.block(0.4)
    stream.run(0.3, late_s=0.2)
    stream.run(5.0)
    assert stream.off_s(len(stream.stamps) - 1000) < 0.001
    assert stream.clock.steps == 0


def test_frames_that_vanished_uncounted_are_taken_up_within_two_seconds_and_shown() -> None:
    stream = Stream(48_000, 512, 0.0, jitter_s=0.0001)
    stream.run(10.0)
    stream.run(10.0, late_s=3.0)
    assert stream.clock.steps == 1
    assert (stream.stamps[-1] - stream.true_ns[-1]) * 1e-9 == pytest.approx(3.0, abs=0.001)


@pytest.mark.parametrize("step_s", [1.5, 3600.0])
def test_a_wall_clock_set_ahead_is_followed_at_once_and_shown(step_s: float) -> None:
    stream = Stream(48_000, 512, 50.0, jitter_s=0.0002)
    stream.run(10.0)
    stream.wall_ns += round(step_s * 1e9)
    stream.run(1.0)
    assert stream.off_s(50) < 0.001
    assert stream.clock.steps == 1


def test_a_wall_clock_set_back_leaves_the_stamps_on_their_course() -> None:
    stream = Stream(48_000, 512, 0.0, jitter_s=0.0002)
    stream.run(10.0)
    stream.wall_ns -= 3600 * 10**9
    stream.run(10.0)
    assert all(abs(slope) < 0.002 for slope in stream.slopes(1500))
    assert stream.clock.steps == 1


def test_a_small_correction_of_the_wall_clock_is_followed_without_a_jump() -> None:
    stream = Stream(48_000, 512, 0.0, jitter_s=0.0)
    stream.run(10.0)
    before = len(stream.stamps)
    stream.wall_ns += 20_000_000
    stream.run(60.0)
    assert all(abs(slope) < 0.001 for slope in stream.slopes(len(stream.stamps) - before + 1))
    assert stream.off_s(100) < 0.0005
    assert stream.clock.steps == 0


def test_lateness_is_what_a_block_arrives_after_its_time() -> None:
    stream = Stream(48_000, 512, 0.0, jitter_s=0.0)
    assert stream.clock.lateness_ns(512, 12345) == 0.0
    stream.run(10.0)
    due_ns = 10**12 + (stream.end_frame + 512) * 10**9 // 48_000
    assert stream.clock.lateness_ns(stream.end_frame + 512, due_ns + 7_000_000) == pytest.approx(7e6, abs=1000)
