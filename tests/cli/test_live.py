"""The live view, drawn as a terminal of a given size shows it."""

import fcntl
import io
import math
import os
import pty
import re
import signal
import struct
import sys
import termios
import time
from dataclasses import replace
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from bridge.cli.live import STOPPING, Lines, LiveView, headline, health_line, step_line
from bridge.readings import Frame, Health, Reading, State, StepReading
from bridge.words import STATES as WORDS
from tests.system.daemon import free_port, write_config

STATES: tuple[State, ...] = ("quiet", "tone", "moving", "settling", "settled", "clipped")
STEP = StepReading(3, 12, "repro high", 10_000.0, 15.0, -0.83, 0.25, 20, (3, 9, 10, 17), 0.4)
WRONG = Health(
    log="refusing", overruns=3, source_losses=1, refused_packets=120, dropped_packets=7, clock_steps=2,
    message="the disk is full: nothing is logged until there is room on it; the newest 12 entries wait in memory",
)  # fmt: skip


def reading(track: int) -> Reading:
    state = STATES[track % len(STATES)]
    return Reading(track, -0.83 + track / 10, track / 10 - 1.2, track / 10 - 1.25, 0.02, state, -12.0, -18.0)


def frame(tracks: int, health: Health = WRONG, focus: int = 7) -> Frame:
    readings = tuple(map(reading, range(1, tracks + 1)))
    return Frame(4242.0, 10**18, 9998.7, STEP, 1, True, focus, readings, health)


def screen(view: LiveView, columns: int, rows: int) -> list[str]:
    """Return what a terminal of this size shows."""
    out = io.StringIO()
    console = Console(file=out, width=columns, height=rows, force_terminal=True, color_system=None)
    console.print(view, end="")
    return re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue()).rstrip("\n").split("\n")


def shown_tracks(lines: list[str]) -> list[int]:
    """Return the tracks whose figure and state are on the screen, from top to bottom and left to right."""
    figure = r"[ ▸]([ \d]\d) {1,6}(?:[+−]\d+\.\d\d|—)"
    return [int(number) for line in lines for number in re.findall(figure, line)]


def test_where_all_is_logged_it_says_what_is_outside() -> None:
    whole = replace(STEP, complete=24, missing_tracks=())
    off_db = {1: 0.5, 5: -0.3, 6: 0.25, 7: 0.26, 8: math.nan}
    readings = tuple(replace(reading(track), fine_db=off_db.get(track, 0.1), state="tone") for track in range(1, 9))
    readings = (*readings[:7], replace(readings[7], deviation_db=-3.0), replace(reading(9), state="quiet"))
    seen = replace(frame(9), step=whole, readings=readings, right_tracks=(2, 3, 4))
    assert ", all logged, outside: tracks 1, 5, 7-8   tone" in headline(seen)
    assert "all logged" not in headline(replace(seen, step=replace(whole, missing_tracks=(1,))))
    assert "outside" not in headline(replace(seen, step=replace(whole, adjustment="bias")))
    assert "outside" not in headline(replace(seen, right_tracks=tuple(range(1, 9))))


def heard(hz: float, *, stands: bool, is_wanted: bool = False) -> Frame:
    """A frame with a tone; what is not wanted is not compared with the target."""
    seen = frame(4)
    readings = tuple(one if is_wanted else replace(one, deviation_db=math.nan) for one in seen.readings)
    return replace(seen, tone_hz=hz, tone_stands=stands, readings=readings)


def test_what_does_not_stand_is_no_tone_unless_the_step_wants_it() -> None:
    assert "   no tone   " in headline(heard(61.7, stands=False))
    assert "   tone 3150.0 Hz   " in headline(heard(3150.0, stands=True))
    assert "   tone 9998.7 Hz   " in headline(heard(9998.7, stands=False, is_wanted=True))
    assert "   no tone   " in headline(heard(0.0, stands=True))


def test_lines_that_stay_name_only_tones_that_stand() -> None:
    said: list[str] = []
    lines = Lines(said.append)
    sweep = [heard(20.0 * 2.0 ** (place / 10.0), stands=False) for place in range(100)]
    for seen in (
        heard(0.0, stands=False),
        heard(1000.0, stands=True, is_wanted=True),
        *sweep,
        heard(3150.0, stands=True),
    ):
        lines.publish(seen, 0.0)
    # What was named goes on though it is not known to stand for a moment, as where other inputs are patched.
    lines.publish(heard(3151.0, stands=False), 0.0)
    lines.publish(heard(0.0, stands=False), 0.0)
    tones = [line for line in said if line == "no tone" or line.startswith("tone ")]
    assert tones == ["tone 1000.0 Hz", "no tone", "tone 3150.0 Hz: not the tone of the step", "no tone"]


def test_80_by_24_shows_all_24_tracks_what_is_wrong_and_how_to_stop() -> None:
    view = LiveView("Saltings two-inch (invented), 24 tracks")
    view.publish(frame(24), 0.0)
    for number in range(1, 13):
        view.say(f"logged 20261128-1.{number}: track {number} repro high, −1.25 → +0.02 dB, within ±0.25")
    lines = screen(view, 80, 24)
    assert len(lines) <= 23  # the last is the cursor's
    assert max(map(cell_len, lines)) <= 80
    text = "\n".join(lines)
    assert STOPPING in lines[0]
    assert "the disk is full: nothing is logged until there is room on it" in text.replace("\n", " ")
    assert "log refusing" in text
    for count in ("3 overruns", "1 time without source", "120 packets refused", "2 times the clock was set"):
        assert count in text.replace("\n", " ")
    assert "step 3 of 12: repro high, 10000 Hz" in text
    assert "held" in text
    assert sorted(shown_tracks(lines)) == list(range(1, 25))
    for track in range(1, 25):
        one = reading(track)
        wanted = "—" if one.state == "quiet" else f"{one.fine_db:+.2f}".replace("-", "−")
        begin = "▸" if track == 7 else " "
        row = re.search(rf"{begin}{track:>2} +{re.escape(wanted)} .*?({'|'.join(WORDS.values())})", text)
        assert row, track
        assert row[1] == WORDS[one.state]
    assert "20261128-1.12:" in text  # the newest message, where the older ones have no room


def test_that_the_tape_is_not_followed_stands_where_nothing_is_cut() -> None:
    view = LiveView("Saltings two-inch (invented), 24 tracks")
    view.publish(replace(frame(24), follows=False), 0.0)
    for columns, rows in ((80, 24), (40, 12)):
        assert "following is off" in "\n".join(screen(view, columns, rows))
    view.publish(frame(24), 0.0)
    assert "following" not in "\n".join(screen(view, 80, 24))


def test_screens_that_went_away_are_counted() -> None:
    view = LiveView("Saltings two-inch (invented), 24 tracks")
    view.publish(frame(24, Health(lost_connections=4)), 0.0)
    assert "4 connections lost" in "\n".join(screen(view, 80, 24))


def test_of_each_thing_that_went_wrong_once_there_is_one() -> None:
    once = Health(
        overruns=1, source_losses=1, clock_steps=1, refused_packets=1, dropped_packets=1, refused_trims=1,
        lost_connections=1,
    )  # fmt: skip
    assert health_line(frame(1, once), 1).removeprefix("; ").split("; ")[2:] == [
        "1 trim logged",
        "1 overrun",
        "1 time without source",
        "1 time the clock was set",
        "1 packet refused",
        "1 packet dropped",
        "1 trim NOT logged",
        "1 connection lost",
    ]


def test_a_tall_window_shows_one_track_below_the_other_with_all_that_is_known() -> None:
    view = LiveView("Saltings two-inch (invented), 24 tracks")
    view.publish(frame(24, Health()), 0.0)
    lines = screen(view, 100, 50)
    assert shown_tracks(lines) == list(range(1, 25))
    row = next(line for line in lines if line.startswith("▸ 7"))
    assert re.fullmatch(r"▸ 7  −0\.55 up    [─━┿●]+ ±0\.02  −0\.13 tone *", row)
    # The target is the 19th of 37 cells, 6 cells are 1 dB: −0.55 dB is 3 cells to the left.
    assert re.search("[─━┿●]+", row)[0].index("●") == 18 - 3  # type: ignore[index]


@given(columns=st.integers(24, 200), rows=st.integers(8, 70), tracks=st.integers(0, 64), messages=st.integers(0, 9))
def test_whatever_the_size_no_line_is_too_long_and_no_track_is_left_out_in_silence(
    columns: int, rows: int, tracks: int, messages: int
) -> None:
    view = LiveView("Saltings (invented)")
    view.publish(frame(tracks, focus=0), 0.0)
    for number in range(messages):
        view.say(f"message {number}\nin two lines " + "long " * 40)
    lines = screen(view, columns, rows)
    assert len(lines) < rows
    assert max(map(cell_len, lines)) <= columns
    shown = shown_tracks(lines)
    assert len(set(shown)) == len(shown)
    more = re.search(r"(\d+) more tracks", "\n".join(lines))
    assert len(shown) + (int(more[1]) if more else 0) == tracks


def test_what_the_target_can_be_trusted_for_has_two_decimals() -> None:
    """0.25 is not 0.2: the page says ± 0.25 beside it."""
    told = step_line(replace(STEP, tolerance_db=0.1, uncertainty_db=0.25))
    assert told.endswith("target −0.83 VU ±0.1, give or take 0.25")


def test_before_the_first_frame_it_says_what_it_waits_for() -> None:
    lines = screen(LiveView("Saltings (invented)"), 80, 24)
    assert STOPPING in lines[0]
    assert "waiting for the source" in lines[1]


def test_where_there_is_nothing_to_say_there_is_no_figure() -> None:
    view = LiveView("Saltings (invented)")
    view.publish(replace(frame(0), readings=(replace(reading(1), fine_db=math.nan, deviation_db=math.nan),)), 0.0)
    assert "nan" not in "\n".join(screen(view, 80, 24))


def test_on_a_real_terminal_of_80_by_24(tmp_path: Path) -> None:
    """The program itself, 24 simulated tracks, until the key that it names is pressed."""
    config = write_config(tmp_path / "room.toml", port=free_port(), tracks=24, source='source = "simulated"\n')
    process_id, terminal = pty.fork()
    if process_id == 0:  # the child: it has the terminal
        os.execv(sys.executable, [sys.executable, "-m", "bridge", "run", str(config)])
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("4H", 24, 80, 0, 0))
    said = b""
    ends_s = time.monotonic() + 60
    pressed = False
    try:
        while True:
            assert time.monotonic() < ends_s, said.decode(errors="replace")[-4000:]
            try:
                said += os.read(terminal, 65_536)
            except OSError:  # the other side is closed (Linux, EIO)
                break
            last = said.decode(errors="replace").rpartition(STOPPING)[0].rpartition(STOPPING)[2]
            plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", last).replace("\r", "").split("\n")
            if not pressed and sorted(shown_tracks(plain)) == list(range(1, 25)):
                pressed = True
                os.write(terminal, b"\x03")
    finally:
        if said.count(b"stopped") == 0:  # or the wait would last for ever
            os.kill(process_id, signal.SIGKILL)
        _, status = os.waitpid(process_id, 0)
        os.close(terminal)
    assert pressed
    assert os.waitstatus_to_exitcode(status) == 0
    assert b"page: http://127.0.0.1:" in said  # the way in, above the view
    assert b"stopped" in said
