"""A frame as one bundle, read back by python-osc."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pythonosc.osc_bundle import OscBundle

from bridge.readings import Frame, Health, Reading, StepReading
from bridge.wire.frames import FrameEncoder
from bridge.wire.osc import decode

CAPTURED_NS = 1_795_600_000_123_456_789
STATES = ("quiet", "tone", "moving", "settling", "settled", "clipped")


def reading(track: int, **changes: object) -> Reading:
    base = Reading(track, -0.5, 0.25, 0.125, 0.0625, "tone", -17.0, -18.0)
    return replace(base, **changes)


def frame(*readings: Reading, **changes: object) -> Frame:
    step = StepReading(2, 12, "repro high", 10_000.0, 15.0, -0.75, 0.5, 14, (3, 9, 10))
    health = Health("running", "writing", 1, 2, 3, 4, 5, 6, "no tape", "waiting", 7, clock_steps=8, lost_connections=9)
    base = Frame(
        12.5,
        CAPTURED_NS,
        9_999.5,
        step,
        1,
        False,
        3,
        readings,
        health,
        tone_s=4.5,
        missing=31,
        tape_time="01:30:35:22",
        next_track=10,
        waiting_tracks=(9,),
        right_tracks=(1, 2, 4),
        trimmers=(0.5, 0.4996),
    )
    return replace(base, **changes)


def heard(packet: bytes) -> dict[str, object]:
    """What python-osc hears: value or values by address."""
    contents = list(OscBundle(packet))
    assert len({content.address for content in contents}) == len(contents)
    return {content.address: content.params[0] for content in contents if len(content.params) == 1}


def test_every_address_of_the_design() -> None:
    packet = FrameEncoder().encode(frame(reading(1), reading(24, vu=-3.0, state="settling")))
    assert heard(packet) == {
        "/track/1/vu": -0.5,
        "/track/1/deviation": 0.25,
        "/track/1/fine": 0.125,
        "/track/1/spread": 0.0625,
        "/track/1/state": "tone",
        "/track/24/vu": -3.0,
        "/track/24/deviation": 0.25,
        "/track/24/fine": 0.125,
        "/track/24/spread": 0.0625,
        "/track/24/state": "settling",
        "/tone/hz": 9_999.5,
        "/tone/s": 4.5,
        "/tone/stands": True,
        "/step/number": 2,
        "/step/count": 12,
        "/step/adjustment": "repro high",
        "/step/tone_hz": 10_000.0,
        "/step/speed_ips": 15.0,
        "/step/target_vu": -0.75,
        "/step/tolerance_db": 0.5,
        "/step/uncertainty_db": 0.0,
        "/step/complete": 14,
        "/step/missing": 3,
        "/step/missing_tracks": "3, 9-10",
        "/step/right_tracks": "1-2, 4",
        "/step/waiting_tracks": "9",
        "/calibration/missing": 31,
        "/focus/track": 3,
        "/focus/next": 10,
        "/bank/number": 1,
        "/hold/on": False,
        "/follow/on": True,
        "/tape/time": "01:30:35:22",
        "/practice/trimmers": "0.500 0.500",
        "/health/source": "running",
        "/health/log": "writing",
        "/health/overruns": 1,
        "/health/lost_frames": 2,
        "/health/clock_steps": 8,
        "/health/source_losses": 3,
        "/health/refused_packets": 4,
        "/health/refused_trims": 5,
        "/health/declined_commands": 0,
        "/health/dropped_packets": 6,
        "/health/lost_connections": 9,
        "/health/midi": "waiting",
        "/health/midi_losses": 7,
        "/health/message": "no tape",
    }


def test_the_time_tag_is_the_moment_of_capture() -> None:
    # RFC 5905, figure 4: Unix second 0 is second 2,208,988,800 of NTP; the fraction counts 2^-32 s.
    time_tag = decode(FrameEncoder().encode(frame(reading(1)))).time_tag
    assert time_tag >> 32 == 1_795_600_000 + 2_208_988_800
    assert (time_tag & 0xFFFF_FFFF) / 2**32 == pytest.approx(0.123456789, abs=1e-9)


VALUES = st.floats(-200, 100, width=32)
READINGS = st.builds(
    Reading,
    track=st.just(0),
    vu=VALUES,
    deviation_db=VALUES,
    fine_db=VALUES | st.just(math.nan),
    spread_db=VALUES | st.just(math.nan),
    state=st.sampled_from(STATES),
    peak_dbfs=VALUES,
    rms_dbfs=VALUES,
)


@settings(deadline=None)
@given(st.lists(st.lists(READINGS, min_size=1, max_size=12), min_size=1, max_size=4), st.integers(0, 52))
def test_one_encoder_for_changing_tracks_and_states(run: list[list[Reading]], first: int) -> None:
    encoder = FrameEncoder()
    for readings in run:
        numbered = [replace(one, track=first + place) for place, one in enumerate(readings, 1)]
        said = heard(encoder.encode(frame(*numbered)))
        assert len(said) == 5 * len(numbered) + 38
        for one in numbered:
            sent = [said[f"/track/{one.track}/{name}"] for name in ("vu", "deviation", "fine", "spread", "state")]
            wanted = [one.vu, one.deviation_db, one.fine_db, one.spread_db, one.state]
            # NaN is not equal to itself, but reads the same.
            assert list(map(str, sent)) == list(map(str, wanted))


def test_what_rarely_changes_is_sent_anew_when_it_does() -> None:
    encoder = FrameEncoder()
    first = frame(reading(1))
    encoder.encode(first)
    lost = replace(first, health=replace(first.health, source="lost", message="interface unplugged"), focus_track=0)
    said = heard(encoder.encode(lost))
    assert said["/health/source"] == "lost"
    assert said["/health/message"] == "interface unplugged"
    assert said["/focus/track"] == 0
    moved = replace(lost, step=replace(lost.step, number=3, adjustment="repro low"))
    assert heard(encoder.encode(moved))["/step/adjustment"] == "repro low"


def test_no_tracks_and_all_tracks() -> None:
    assert len(heard(FrameEncoder().encode(frame()))) == 38
    packet = FrameEncoder().encode(frame(*(reading(track) for track in range(1, 65))))
    assert len(heard(packet)) == 64 * 5 + 38
    # One datagram over IPv4 carries 65,507 bytes.
    assert len(packet) < 65_507
    assert len(decode(packet).messages) == 64 * 5 + 38


def test_nothing_in_a_frame_holds_it_back() -> None:
    health = Health(message="\ud800 cannot open a\0b" + "é" * 5000, lost_frames=2**40)
    said = heard(FrameEncoder().encode(frame(reading(1, vu=1e300), health=health)))
    assert str(said["/health/message"]).startswith("? cannot open ab")
    assert said["/health/lost_frames"] == 2**31 - 1
    assert said["/track/1/vu"] == math.inf


def test_immediately_for_receivers_with_another_clock() -> None:
    # OSC 1.0, "Temporal Semantics and OSC Time Tags": 63 zero bits and a one.
    assert FrameEncoder(immediately=True).encode(frame(reading(1)))[8:16] == bytes(7) + b"\1"
