"""Track formats: the data that is shipped, against published dimensions, and what is refused."""

from pathlib import Path

import pytest

import bridge.tape
from bridge.tape.errors import TapeError
from bridge.tape.formats import FILE_NAME, parse_track_formats

TEXT = (Path(bridge.tape.__file__).parent / FILE_NAME).read_text(encoding="utf-8")
FORMATS = parse_track_formats(TEXT)
INCH_MM = 25.4


# Handbook pages and makers' lists, in mil; for 24 tracks from memory. Rounded to 0.01 mm.
@pytest.mark.parametrize(
    ("name", "tracks", "width_mil", "pitch_mil"),
    [
        ("2 in 16-track", 16, 70, 127),
        ("1 in 8-track", 8, 70, 130),
        ("1/2 in 4-track", 4, 70, 130),
        ("2 in 24-track", 24, 37, 83),
        ("2 in 24-track, wide", 24, 43, 84),
        ("1/2 in 2-track", 2, 200, 260),
        ("1/2 in 3-track", 3, 100, 185),
        ("1/4 in full track", 1, 234, None),
        ("1/4 in 2-track", 2, 82, None),
    ],
)
def test_published_dimensions(name, tracks, width_mil, pitch_mil):
    found = FORMATS[name]
    assert found.tracks == tracks
    assert found.track_width.mm == pytest.approx(width_mil * INCH_MM / 1000, abs=0.01)
    if pitch_mil is not None:
        assert found.track_pitch.mm == pytest.approx(pitch_mil * INCH_MM / 1000, abs=0.01)


# (n - 1) pitch, as used for azimuth; worked outside this project.
@pytest.mark.parametrize(
    ("name", "expected_mm"),
    [("2 in 24-track", 48.5), ("2 in 16-track", 48.4), ("1 in 8-track", 23.1), ("1/2 in 4-track", 9.91)],
)
def test_spacing_of_the_outer_tracks(name, expected_mm):
    assert FORMATS[name].outer_spacing_mm == pytest.approx(expected_mm, abs=0.05)


def test_a_format_without_pitch_has_no_spacing():
    assert FORMATS["1/4 in full track"].outer_spacing_mm is None


def test_every_figure_says_where_it_comes_from():
    for found in FORMATS.values():
        figures = [found.tape_width, found.track_width, *([found.track_pitch] if found.track_pitch else [])]
        for figure in figures:
            assert figure.source.startswith(("published", "from memory", "computed")), found.name


GOOD = """
[[format]]
name = "house"
tracks = 8
tape_width_mm = 25.4
tape_width_source = "measured"
track_width_mm = 1.8
track_width_source = "measured"
track_pitch_mm = 3.3
track_pitch_source = "measured"
"""


def test_a_format_of_ones_own():
    assert parse_track_formats(GOOD)["house"].track_pitch.mm == 3.3


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('name = "house"', "", "format 1.name"),
        ("tracks = 8", "tracks = 0", "format 1.tracks"),
        ("tracks = 8", "tracks = 9", "format 1.tape_width_mm"),
        ("track_width_mm = 1.8", "track_width_mm = -1.8", "format 1.track_width_mm"),
        ("track_width_mm = 1.8", 'track_width_mm = "wide"', "format 1.track_width_mm"),
        ('track_width_source = "measured"', "", "format 1.track_width_source"),
        ("track_pitch_mm = 3.3", "track_pitch_mm = 1.3", "format 1.track_pitch_mm"),
        ("[[format]]", "[[format]", "format"),
    ],
)
def test_what_cannot_be_names_the_key(old, new, key):
    with pytest.raises(TapeError, match=rf"^{key}: "):
        parse_track_formats(GOOD.replace(old, new))


def test_two_formats_of_one_name_are_refused():
    with pytest.raises(TapeError, match=r'^format 2\.name: "house" is there twice'):
        parse_track_formats(GOOD + GOOD)
