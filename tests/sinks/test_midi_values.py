"""What rings and lamps show. Values are worked out by hand from the MIDI specification's encodings."""

import math

import pytest

from bridge.config.midi_settings import MidiLampSettings, MidiMeterSettings
from bridge.readings import Frame, Health, Reading, State, StepReading
from bridge.sinks.midi_values import focus_places, lamp_messages, meter_messages, meter_value


def frame(
    *tracks: tuple[State, float, float], focus: int = 0, right: tuple[int, ...] = (), adjustment: str = "repro level"
) -> Frame:
    readings = tuple(
        Reading(9 + number, deviation_db, deviation_db, fine_db, 0.01, state, -17.0, -18.0)
        for number, (state, deviation_db, fine_db) in enumerate(tracks)
    )
    step = StepReading(2, 12, adjustment, 1000.0, 15.0, 0.0, 0.25)
    return Frame(1.0, 10**18, 1000.0, step, 2, False, focus, readings, Health(), right_tracks=right)


@pytest.mark.parametrize(
    ("message", "center", "values"),
    [
        ("control", None, {0.0: 64, 3.0: 127, -3.0: 0, 99.0: 127, -99.0: 0, 1.5: 96, -1.5: 32, math.nan: 0}),
        ("control", 10, {0.0: 10, 3.0: 127, -3.0: 0, 1.5: 68, -1.5: 5}),
        ("control 14 bit", None, {0.0: 8192, 3.0: 16_383, -3.0: 0, 1.5: 12_288, -0.75: 6144}),
        ("pitch bend", None, {0.0: 8192, 3.0: 16_383, -3.0: 0}),
    ],
)
def test_the_scale_and_its_center(message: str, center: int | None, values: dict[float, int]) -> None:
    settings = MidiMeterSettings(port="Ring box", message=message, full_scale_db=3.0, center=center)  # type: ignore[arg-type]
    assert {deviation: meter_value(settings, deviation) for deviation in values} == values


def said(messages: dict[int, tuple[bytes, ...]]) -> list[str]:
    return [b"".join(one).hex(" ").upper() for one in messages.values()]


def test_rings_of_the_bank() -> None:
    shown = frame(("tone", 3.0, -3.0), ("quiet", -190.0, math.nan), ("tone", 0.0, math.nan))
    seven = MidiMeterSettings(port="a", channel=2, number=16, places=4)
    assert said(meter_messages(seven, shown)) == ["B1 10 7F", "B1 11 00", "B1 12 40", "B1 13 00"]
    fine = MidiMeterSettings(port="a", value="fine", message="control 14 bit", number=0, places=3)
    assert said(meter_messages(fine, shown)) == ["B0 00 00 B0 20 00", "B0 01 00 B0 21 00", "B0 02 00 B0 22 00"]
    bends = MidiMeterSettings(port="a", message="pitch bend", channel=3, places=3)
    assert said(meter_messages(bends, shown)) == ["E2 7F 7F", "E3 00 00", "E4 00 40"]
    across = MidiMeterSettings(port="a", number=7, each_track="next channel", places=2, first_place=2)
    assert said(meter_messages(across, shown)) == ["B0 07 00", "B1 07 40"]


def test_lamps_of_the_bank() -> None:
    lamps = MidiLampSettings(
        port="a", channel=10, number=36, places=8,
        quiet=1, tone=2, moving=3, settling=4, settled=5, settled_outside=6, clipped=7,
    )  # fmt: skip
    shown = frame(
        ("quiet", -190.0, math.nan),
        ("tone", 0.0, math.nan),
        ("moving", 0.0, 0.0),
        ("settling", 0.0, 0.0),
        ("settled", 0.0, -0.25),
        ("settled", 0.0, 0.26),
        ("clipped", 9.0, 9.0),
        right=(10, 11, 12, 13),
    )
    assert said(lamp_messages(lamps, shown)) == [f"99 {36 + n:02X} {n + 1:02X}" for n in range(7)] + ["99 2B 00"]
    # Within by what it reads just now, but not yet by more than chance: page, terminal and lamp say the same.
    edge: tuple[State, float, float] = ("settled", 0.0, 0.24)
    assert said(lamp_messages(lamps, frame(edge)))[0] == "99 24 06"
    assert said(lamp_messages(lamps, frame(edge, right=(9,))))[0] == "99 24 05"
    # Bias is never judged.
    assert said(lamp_messages(lamps, frame(("settled", 0.0, 3.0), adjustment="bias")))[0] == "99 24 05"
    focused = lamps.model_copy(update={"focus": 99})
    shown = frame(("tone", 0.0, 0.0), ("tone", 0.0, 0.0), focus=10)
    assert said(lamp_messages(focused, shown))[:2] == ["99 24 02", "99 25 63"]
    # A bank without a focus has track 0 in focus, which no place has.
    assert focus_places(1, shown) == {1}
    assert focus_places(2, shown) == {0}
    assert focus_places(1, frame(("tone", 0.0, 0.0))) == set()
