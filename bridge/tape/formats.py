"""Track formats: from the text of ``formats.toml`` to widths and pitches, each with where it comes from.

The file lies beside this module as data: it is read by whoever may open files, and edited by whoever knows better.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from bridge.tape.errors import TapeError, require_positive

FILE_NAME: Final = "formats.toml"


@dataclass(frozen=True, slots=True)
class Figure:
    """A length in mm and where it comes from."""

    mm: float
    source: str


@dataclass(frozen=True, slots=True)
class TrackFormat:
    """How the tracks lie on a tape; ``track_pitch`` is None for a single track, and where nobody knows it."""

    name: str
    tracks: int
    tape_width: Figure
    track_width: Figure
    track_pitch: Figure | None

    @property
    def outer_spacing_mm(self) -> float | None:
        """From the centre of the first track to that of the last, by which azimuth is judged; None when not known."""
        return None if self.track_pitch is None else (self.tracks - 1) * self.track_pitch.mm


def parse_track_formats(text: str) -> dict[str, TrackFormat]:
    """Return the formats of a TOML text, by name, in its order.

    Raises
    ------
    TapeError
        For a text that is no TOML, or a figure that is missing, without a source, or impossible; it names the key.
    """
    try:
        tables = tomllib.loads(text).get("format", [])
    except tomllib.TOMLDecodeError as fault:
        raise TapeError("format", f"the track formats cannot be read: {fault}") from fault
    formats: dict[str, TrackFormat] = {}
    for number, table in enumerate(tables, start=1):
        found = _format(f"format {number}", table)
        if found.name in formats:
            raise TapeError(f"format {number}.name", f'"{found.name}" is there twice')
        formats[found.name] = found
    return formats


def _format(key: str, table: Mapping[str, object]) -> TrackFormat:
    name, tracks = table.get("name"), table.get("tracks")
    if not isinstance(name, str) or not name:
        raise TapeError(f"{key}.name", "must be given")
    if not isinstance(tracks, int) or tracks < 1:
        raise TapeError(f"{key}.tracks", "must be a whole number, 1 or more")
    width = _figure(key, "track_width", table)
    pitch = _figure(key, "track_pitch", table) if "track_pitch_mm" in table else None
    tape = _figure(key, "tape_width", table)
    if pitch is not None and pitch.mm < width.mm:
        raise TapeError(f"{key}.track_pitch_mm", f"{pitch.mm:g} must not be below the track width, {width.mm:g}")
    if tape.mm < width.mm + (0.0 if pitch is None else (tracks - 1) * pitch.mm):
        raise TapeError(f"{key}.tape_width_mm", f"{tape.mm:g} is narrower than the {tracks} tracks on it")
    return TrackFormat(name, tracks, tape, width, pitch)


def _figure(key: str, figure: str, table: Mapping[str, object]) -> Figure:
    value, source = table.get(f"{figure}_mm"), table.get(f"{figure}_source")
    if not isinstance(value, int | float):
        raise TapeError(f"{key}.{figure}_mm", "must be a number of mm")
    require_positive(f"{key}.{figure}_mm", value)
    if not isinstance(source, str) or not source:
        raise TapeError(f"{key}.{figure}_source", "must say where the figure comes from")
    return Figure(float(value), source)
