"""Running times against the table on every tape box, and packs against their own geometry."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.tape.errors import TapeError
from bridge.tape.running_time import (
    length_m,
    metres_from_feet,
    pack_diameter_mm,
    pack_length_m,
    running_time_s,
    time_left_s,
)

# Minutes and seconds at 3.75, 7.5, 15 and 30 in/s: length / speed, exact.
TABLE = {
    1200: ("64:00", "32:00", "16:00", "8:00"),
    1800: ("96:00", "48:00", "24:00", "12:00"),
    2500: ("133:20", "66:40", "33:20", "16:40"),
    3600: ("192:00", "96:00", "48:00", "24:00"),
}


@pytest.mark.parametrize(
    ("feet", "speed_ips", "expected"),
    [(f, v, t) for f, times in TABLE.items() for v, t in zip((3.75, 7.5, 15, 30), times, strict=True)],
)
def test_running_time(feet, speed_ips, expected):
    minutes, seconds = expected.split(":")
    assert running_time_s(metres_from_feet(feet), speed_ips) == pytest.approx(
        60 * int(minutes) + int(seconds), abs=1e-6
    )


@pytest.mark.parametrize(("feet", "metres"), [(1200, 365.8), (2500, 762.0), (3600, 1097.3)])
def test_lengths_in_metres(feet, metres):
    assert metres_from_feet(feet) == pytest.approx(metres, abs=0.05)


def test_time_left():
    reel_m = metres_from_feet(2500)
    assert time_left_s(reel_m, 600, 15) == pytest.approx(1400)
    assert time_left_s(reel_m, 3000, 15) == 0


def test_a_ten_inch_pack_of_professional_tape_holds_about_2500_feet():
    # Common practice, no source: 2500 ft of 50 µm tape fill a 10.5 in reel (267 mm) on a 114 mm hub nearly to its edge.
    assert 240 < pack_diameter_mm(metres_from_feet(2500), 114, 50) < 267


def test_pack_against_turns_counted_one_by_one():
    # Sum over the turns of an ideal spiral: turn i has the circumference pi (d + (2 i + 1) thickness).
    hub_mm, thickness_um, turns = 100.0, 50.0, 1000
    counted_mm = sum(3.141592653589793 * (hub_mm + (2 * i + 1) * thickness_um / 1000) for i in range(turns))
    outer_mm = hub_mm + 2 * turns * thickness_um / 1000
    assert pack_length_m(outer_mm, hub_mm, thickness_um) == pytest.approx(counted_mm / 1000, rel=1e-9)


@given(st.floats(0, 1e4), st.sampled_from([3.75, 7.5, 15, 30]))
def test_position_leads_back_to_the_time(time_s, speed_ips):
    assert running_time_s(length_m(time_s, speed_ips), speed_ips) == pytest.approx(time_s, abs=1e-9)


@given(st.floats(1, 2000), st.floats(40, 130), st.floats(15, 60))
def test_diameter_leads_back_to_the_length(metres, hub_mm, thickness_um):
    outer_mm = pack_diameter_mm(metres, hub_mm, thickness_um)
    assert pack_length_m(outer_mm, hub_mm, thickness_um) == pytest.approx(metres, rel=1e-9)


@pytest.mark.parametrize(
    ("call", "parameter"),
    [
        (lambda: running_time_s(-1, 15), "length_m"),
        (lambda: running_time_s(1, 0), "speed_ips"),
        (lambda: length_m(-1, 15), "time_s"),
        (lambda: pack_length_m(100, 120, 50), "outer_diameter_mm"),
        (lambda: pack_length_m(100, 60, 0), "thickness_um"),
        (lambda: pack_diameter_mm(100, -60, 50), "hub_diameter_mm"),
    ],
)
def test_what_cannot_be_names_the_parameter(call, parameter):
    with pytest.raises(TapeError, match=rf"^{parameter}: "):
        call()
