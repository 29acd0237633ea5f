"""When samples were captured: from frame counts and the arrival times of their callbacks to Unix time stamps.

Callbacks are late by anything from nothing to many milliseconds, never early; the interface's clock runs up to some
hundred ppm off ours; the wall clock may be set. So a straight line is kept through the least late arrivals, corrected
once a second by a tracking loop. The stamps follow that line without jumping, and the wall clock is only added at the
end.
"""

from typing import Final

_WINDOW_S: Final = 1.0
"""How long arrivals are collected before the least late one of them corrects the line."""

_LONGEST_MEMORY: Final = 30
"""Windows after which the loop's gains fall no further: how far back it remembers."""

_RATE_LIMIT: Final = 500e-6
"""How far the interface's clock can be off. Crystals stay within 100 ppm; a studio's word clock may do worse."""

_SLEW_LIMIT: Final = 0.01
"""How much faster or slower than nominal the stamps may run while they return to the corrected line."""

_LOST_LINE_NS: Final = 100_000_000
"""A whole window of arrivals this far off the line: it is no longer the same line (frames vanished uncounted)."""

_WALL_STEP_NS: Final = 1_000_000_000
"""A wall clock that moves this far against the monotonic clock between two blocks was set, and is believed."""

_WALL_SLEW: Final = 500e-6
"""How fast smaller differences are followed: as fast as a disciplined clock is slewed at most (RFC 5905, 11.3)."""


class CaptureClock:
    """The time stamps of one running stream.

    ``steps`` counts how often the stamps had to leave their smooth course: the wall clock was set by more than 1 s, or
    frames vanished without being counted. A wall clock set back does not take the stamps back; they go on as before.
    """

    def __init__(self, sample_rate_hz: int) -> None:
        self.steps = 0
        self._frame_ns = 1e9 / sample_rate_hz
        self._window_frames = round(_WINDOW_S * sample_rate_hz)
        self._window_ns = self._window_frames * self._frame_ns
        self._first_ns = 0
        self._frame = -1
        self._line_ns = 0.0
        self._drift = 0.0
        self._windows = 0
        self._window_end = 0
        self._least_late_ns = 0.0
        self._stamp_ns = 0.0
        self._stamp_slope = 1.0
        self._wall_ns = 0
        self._wall_aim_ns = 0
        self._wall_seen_ns = 0
        self._last_ns = 0

    def lateness_ns(self, end_frame: int, monotonic_ns: int) -> float:
        """Return how much later than expected the block that ends before ``end_frame`` has arrived; 0.0 at first."""
        if self._frame < 0:
            return 0.0
        nominal_ns = (end_frame - self._frame) * self._frame_ns
        return monotonic_ns - self._first_ns - self._line_ns - nominal_ns * (1.0 + self._drift)

    def stamp(self, end_frame: int, monotonic_ns: int, wall_ns: int) -> int:
        """Return the Unix time in ns at which the last sample before ``end_frame`` was captured.

        Parameters
        ----------
        end_frame : int
            Number of the first sample after the block; larger than at the call before.
        monotonic_ns, wall_ns : int
            The two clocks, read together when the block arrived.

        Returns
        -------
        int
            Larger than at the call before.
        """
        if self._frame < 0:
            self._frame = end_frame
            self._first_ns = monotonic_ns
            self._wall_ns = self._wall_aim_ns = self._wall_seen_ns = wall_ns - monotonic_ns
            self._open_window()
        self._least_late_ns = min(self._least_late_ns, self.lateness_ns(end_frame, monotonic_ns))
        nominal_ns = (end_frame - self._frame) * self._frame_ns
        self._frame = end_frame
        self._line_ns += nominal_ns * (1.0 + self._drift)
        self._stamp_ns += nominal_ns * self._stamp_slope
        self._follow_wall(wall_ns - monotonic_ns, nominal_ns)
        if end_frame >= self._window_end:
            self._correct()
            self._open_window()
        self._last_ns = max(self._last_ns + 1, self._first_ns + round(self._stamp_ns) + self._wall_ns)
        return self._last_ns

    def _open_window(self) -> None:
        self._least_late_ns = float("inf")
        self._window_end = self._frame + self._window_frames

    def _correct(self) -> None:
        """Correct the line by the window's least late arrival, and bend the stamps so that they meet it.

        The gains are those of the least-squares line through all windows so far, until its memory is long enough
        (expanding-memory g-h filter: E. Brookner, "Tracking and Kalman Filtering Made Easy", 1998, 1.2.10; from
        memory).
        """
        late_ns = self._least_late_ns
        if abs(late_ns) > _LOST_LINE_NS:
            self.steps += 1
            self._line_ns += late_ns
            self._stamp_ns = self._line_ns
            self._windows = 0
        else:
            n = self._windows
            self._line_ns += late_ns * 2.0 * (2 * n + 1) / ((n + 2) * (n + 1))
            if n > 0:
                self._drift += late_ns / self._window_ns * 6.0 / ((n + 2) * (n + 1))
                self._drift = _limited(self._drift, _RATE_LIMIT)
            self._windows = min(n + 1, _LONGEST_MEMORY)
        behind = (self._line_ns - self._stamp_ns) / self._window_ns
        self._stamp_slope = 1.0 + self._drift + _limited(behind, _SLEW_LIMIT)

    def _follow_wall(self, offset_ns: int, elapsed_ns: float) -> None:
        """Move the wall clock's offset: at once when the clock was set ahead, else slowly."""
        moved_ns = offset_ns - self._wall_seen_ns
        self._wall_seen_ns = offset_ns
        if abs(moved_ns) > _WALL_STEP_NS:
            self.steps += 1
            if moved_ns > 0:
                self._wall_ns += moved_ns
                self._wall_aim_ns += moved_ns
            return
        self._wall_aim_ns += moved_ns
        self._wall_ns += round(_limited(self._wall_aim_ns - self._wall_ns, elapsed_ns * _WALL_SLEW))


def _limited(value: float, limit: float) -> float:
    return max(-limit, min(limit, value))
