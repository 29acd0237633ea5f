"""MIDI time code: quarter frames and full frames in; the position of the tape out.

By MIDI Time Code (MMA RP-004/008): eight quarter frames carry one time, the first of them is sent on the frame that it
tells, so that the time is two frames old when the last is over; in reverse they come in reverse order. Time is an
argument.
"""

import math
from dataclasses import dataclass
from typing import Final

FRAMES_PER_S: Final = (24, 25, 30, 30)
"""How frames are numbered, by the two rate bits: 24, 25, 30 with numbers dropped, 30."""

TRUE_FRAMES_PER_S: Final = (24.0, 25.0, 30_000 / 1001, 30.0)
"""How fast frames follow each other. Numbers are dropped where the rate is that of colour television
(SMPTE ST 12-1: 30/1.001)."""

DROP_FRAME: Final = 2
DROPPED_PER_MINUTE: Final = 2

QUIET_S: Final = 0.1
"""Without a quarter frame for so long the tape has stopped: they come 8 to 11 ms apart, and a tape at a tenth of its
speed is being edited, not played."""

JUMP_FRAMES: Final = 1.0
"""A time that is further off from what was expected is a jump; less is jitter of the ports."""


@dataclass(frozen=True, slots=True)
class TimeCode:
    """A time on the tape. ``rate`` is 0 to 3: 24, 25, 30 drop-frame, 30 frames a second."""

    rate: int
    hours: int
    minutes: int
    seconds: int
    frames: int

    def __str__(self) -> str:
        mark = ";" if self.rate == DROP_FRAME else ":"
        return f"{self.hours:02}:{self.minutes:02}:{self.seconds:02}{mark}{self.frames:02}"

    @property
    def exists(self) -> bool:
        """Whether there is such a time; drop-frame leaves out two numbers each minute but every tenth."""
        dropped = self.rate == DROP_FRAME and self.minutes % 10 and not self.seconds
        first = DROPPED_PER_MINUTE if dropped else 0
        in_range = self.hours < 24 and self.minutes < 60 and self.seconds < 60
        return in_range and first <= self.frames < FRAMES_PER_S[self.rate]

    @property
    def count(self) -> int:
        """Frames since 00:00:00:00."""
        minutes = 60 * self.hours + self.minutes
        count = (60 * minutes + self.seconds) * FRAMES_PER_S[self.rate] + self.frames
        return count - DROPPED_PER_MINUTE * (minutes - minutes // 10) if self.rate == DROP_FRAME else count

    @property
    def position_s(self) -> float:
        """Seconds since 00:00:00:00."""
        return self.count / TRUE_FRAMES_PER_S[self.rate]

    @classmethod
    def from_count(cls, count: int, rate: int) -> "TimeCode":
        """Return the time so many frames after 00:00:00:00; a day is followed by the same day."""
        count %= frames_per_day(rate)
        if rate == DROP_FRAME:
            tens, rest = divmod(count, 17_982)  # frames in ten minutes: 10 × 1800 − 9 × 2
            over = max(0, rest - DROPPED_PER_MINUTE) // 1798  # the first minute has all 1800, the others 1798
            count += DROPPED_PER_MINUTE * (9 * tens + over)
        seconds, frames = divmod(count, FRAMES_PER_S[rate])
        return cls(rate, seconds // 3600, seconds // 60 % 60, seconds % 60, frames)


def frames_per_day(rate: int) -> int:
    """Return how many frames have a number of their own."""
    return TimeCode(rate, 23, 59, 59, FRAMES_PER_S[rate] - 1).count + 1


def full_frame(message: bytes) -> TimeCode | None:
    """Return the time of a full frame message, F0 7F device 01 01 hh mm ss ff F7; None for any other message."""
    if len(message) != 10 or message[:2] != b"\xf0\x7f" or message[3:5] != b"\x01\x01" or message[9] != 0xF7:
        return None
    return TimeCode(message[5] >> 5 & 3, message[5] & 0x1F, message[6], message[7], message[8])


class TimeCodeFollower:
    """Follows the time code of one input.

    Attributes
    ----------
    jumps : int
        Times that were not where the last one led.
    losses : int
        Quarter frames out of order: some were lost.
    refused : int
        Times that do not exist.
    """

    def __init__(self) -> None:
        self.jumps = self.losses = self.refused = 0
        self.rate = 3
        self._pieces = [0] * 8
        self._last_piece = -1
        self._in_order = 0
        self._direction = 0
        self._frames = math.nan
        self._at_s = -math.inf
        self._heard_s = -math.inf

    def receive(self, message: bytes, now_s: float) -> bool:
        """Take a whole message that came at ``now_s``, monotonic. False when it is no time code."""
        if message[0] == 0xF1:
            self._take_piece(message[1] >> 4, message[1] & 0x0F, now_s)
            return True
        time = full_frame(message)
        if time is None:
            return False
        self._last_piece, self._in_order, self._direction = -1, 0, 0
        if time.exists:
            self.rate, self._frames = time.rate, float(time.count)
            self._at_s, self._heard_s = now_s, -math.inf
        else:
            self.refused += 1
        return True

    def _take_piece(self, piece: int, nibble: int, now_s: float) -> None:
        if now_s - self._heard_s > QUIET_S:
            self._in_order, self._last_piece, self._direction = 0, -1, 0
        way = {1: 1, 7: -1}.get((piece - self._last_piece) % 8, 0) if self._last_piece >= 0 else 0
        if way and (way == self._direction or self._in_order == 1):
            self._in_order += 1
        else:
            self.losses += self._last_piece >= 0 and not way
            self._in_order = 2 if way else 1
        self._advance(way, now_s)
        if way:
            self._direction = way
        self._pieces[piece] = nibble
        self._last_piece, self._heard_s = piece, now_s
        if self._in_order >= 8 and piece == (7 if self._direction > 0 else 0):
            self._take_time(now_s)

    def _advance(self, way: int, now_s: float) -> None:
        """Let the tape run on from the last quarter frame to this one; by the clock where some were lost."""
        if now_s - self._heard_s <= QUIET_S:
            by_clock = self._direction * (now_s - self._at_s) * TRUE_FRAMES_PER_S[self.rate]
            self._frames += way / 4 if way else by_clock
        self._at_s = now_s

    def _take_time(self, now_s: float) -> None:
        p = self._pieces
        time = TimeCode(p[7] >> 1 & 3, (p[7] & 1) << 4 | p[6], p[5] << 4 | p[4], p[3] << 4 | p[2], p[1] << 4 | p[0])
        if not time.exists:
            self.refused += 1
            return
        # Piece 0 stands on the frame that it tells. Forwards seven quarters have passed since; backwards it comes last.
        frames = time.count + (1.75 if self._direction > 0 else 0.0)
        if time.rate == self.rate and abs(frames - self._frames) > JUMP_FRAMES:
            self.jumps += 1
        self.rate, self._frames, self._at_s = time.rate, frames, now_s

    def running(self, now_s: float) -> bool:
        """Whether the tape moves and its position is known."""
        return now_s - self._heard_s <= QUIET_S and not math.isnan(self._frames)

    def forwards(self, now_s: float) -> bool:
        """Whether the tape runs forwards and its position is known."""
        return self._direction > 0 and self.running(now_s)

    def frames(self, now_s: float) -> float:
        """Return the position in frames, with the part of a frame that has passed; NaN when it was never told."""
        if not self.running(now_s):
            return self._frames
        passed = min(now_s - self._at_s, QUIET_S) * TRUE_FRAMES_PER_S[self.rate]
        # Beyond the next quarter frame nobody knows whether the tape still runs.
        return self._frames + self._direction * min(passed, 0.25)

    def position_s(self, now_s: float) -> float:
        """Return the position in seconds since 00:00:00:00; NaN when it was never told."""
        return self.frames(now_s) / TRUE_FRAMES_PER_S[self.rate]

    def time_code(self, now_s: float) -> TimeCode | None:
        """Return the position as it is written; None when it was never told."""
        frames = self.frames(now_s)
        return None if math.isnan(frames) else TimeCode.from_count(math.floor(frames + 1e-6), self.rate)
