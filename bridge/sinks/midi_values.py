"""What lamps and rings show of a frame: a frame in; for each place on a controller the messages that set it, out."""

import math
from typing import Final

from bridge.config.midi_settings import MidiLampSettings, MidiMeterSettings
from bridge.readings import Frame, Reading
from bridge.sinks.midi_pacing import Value
from bridge.wire import midi_machine

_LSB: Final = 32
"""From the number of a controller to that of its lower half."""


def meter_value(settings: MidiMeterSettings, deviation_db: float) -> int:
    """Return the value that shows a deviation; at the ends of the scale it stays there, NaN is the lower end."""
    highest = 127 if settings.message == "control" else 16_383
    center = (highest + 1) // 2 if settings.center is None else settings.center
    if math.isnan(deviation_db):
        return 0
    part = min(max(deviation_db / settings.full_scale_db, -1.0), 1.0)
    return round(center + part * (highest - center if part > 0 else center))


def meter_messages(settings: MidiMeterSettings, frame: Frame) -> dict[int, Value]:
    """Return the messages for each place from 0; a place without a track stands at the lower end."""
    out: dict[int, Value] = {}
    for place in range(settings.places):
        reading = _reading(frame, settings.first_place + place)
        value = 0
        if reading is not None and reading.state != "quiet":
            value = meter_value(settings, reading.fine_db if settings.value == "fine" else reading.deviation_db)
        out[place] = _meter(settings, place, value)
    return out


def _meter(settings: MidiMeterSettings, place: int, value: int) -> Value:
    if settings.message == "pitch bend":
        return (midi_machine.pitch_bend(settings.channel + place, value),)
    on_channels = settings.each_track == "next channel"
    channel = settings.channel + (place if on_channels else 0)
    number = settings.number + (0 if on_channels else place)
    if settings.message == "control":
        return (midi_machine.control(channel, number, value),)
    upper = midi_machine.control(channel, number, value >> 7)
    return (upper, midi_machine.control(channel, number + _LSB, value & 0x7F))


def lamp_messages(settings: MidiLampSettings, frame: Frame) -> dict[int, Value]:
    """Return the messages for each place from 0; a place without a track is dark."""
    out: dict[int, Value] = {}
    for place in range(settings.places):
        reading = _reading(frame, settings.first_place + place)
        velocity = 0 if reading is None else _velocity(settings, frame, reading)
        out[place] = (midi_machine.note(settings.channel, settings.number + place, velocity),)
    return out


def _velocity(settings: MidiLampSettings, frame: Frame, reading: Reading) -> int:
    if settings.focus is not None and reading.track == frame.focus_track:
        return settings.focus
    # The daemon judges, and never a bias: its target is no more than a nominal level.
    if reading.state == "settled" and frame.step.adjustment != "bias" and reading.track not in frame.right_tracks:
        return settings.settled_outside
    return int(getattr(settings, reading.state))


def _reading(frame: Frame, place: int) -> Reading | None:
    return frame.readings[place - 1] if place <= len(frame.readings) else None


def focus_places(first_place: int, frame: Frame) -> set[int]:
    """Return the place from 0 on a controller of the track in focus, as a set; empty when there is none."""
    tracks = [reading.track for reading in frame.readings]
    return {tracks.index(frame.focus_track) + 1 - first_place} if frame.focus_track in tracks else set()
