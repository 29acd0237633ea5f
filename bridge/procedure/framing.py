"""The frame: what the procedure knows of each track in, what the sinks are told of it out."""

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Final

import numpy as np

from bridge.procedure.bank import Bank
from bridge.procedure.course import Course
from bridge.procedure.judgement import Judgement
from bridge.procedure.patch import TrackLevels
from bridge.procedure.progress import Missing, Progress
from bridge.procedure.setup import Setup
from bridge.procedure.succession import next_track
from bridge.procedure.visit import on_tone
from bridge.readings import Frame, Health, Reading, State, StepReading
from bridge.tape.calibration_tape import SAME_TONE
from bridge.units import SILENCE_DB

CLIP_SHOWN_S: Final = 1.0
"""A clip is over in a millisecond; it is shown for as long as somebody needs to look up."""

NO_STEP: Final = StepReading(0, 0, "", 0.0, 0.0, 0.0, 0.0)


class Framing:
    """Makes frames.

    Parameters
    ----------
    setup : Setup
    course : Course
    progress : Progress
    """

    def __init__(self, setup: Setup, course: Course, progress: Progress) -> None:
        self._setup = setup
        self._course = course
        self._progress = progress
        self._clipped_s: dict[int, float] = {}
        self._chosen_focus = 0
        self._judgement = Judgement()
        self._judged_at = course.place
        self._read_at = (-1, -1)
        self._step = NO_STEP
        self._missing: tuple[Missing, ...] = ()

    def focus(self, track: int) -> None:
        """Keep the focus on a track; 0 lets it follow the movement."""
        self._chosen_focus = track

    def forget(self) -> None:
        """Forget what was clipped, and which track was chosen: others may be patched now."""
        self._clipped_s.clear()
        self._chosen_focus = 0

    def note_clipping(self, tracks: TrackLevels, position_s: float) -> None:
        """Remember what is clipped."""
        if tracks.clipped.any():
            self._clipped_s.update(dict.fromkeys(np.flatnonzero(tracks.clipped).tolist(), position_s))
        elif self._clipped_s:
            recent = {place: at_s for place, at_s in self._clipped_s.items() if position_s - at_s < CLIP_SHOWN_S}
            self._clipped_s = recent

    def frame(self, health: Health, captured_ns: int) -> Frame:
        """Return all that the sinks are told now."""
        course = self._course
        step, tracks = course.step, course.tracks
        target_vu = step.target_vu if step else 0.0
        if tracks is None:
            read = _silent(course.bank, target_vu, self._setup.reference_dbfs)
        else:
            # How far another tone than the step's is from the target says nothing of any trimmer.
            compares = step is None or on_tone(step, tracks.tone_hz)
            target_vu = target_vu if compares or tracks.tone_hz == 0.0 else math.nan
            read = _readings(course.bank, tracks, target_vu, self._states(tracks), self._clipped_s)
        step_read, focus = self._step_reading(), self._focus_track()
        right = self._right(read)
        waiting = self._waiting(step_read.missing_tracks, right, read)
        return Frame(
            position_s=course.now.position_s,
            captured_ns=captured_ns,
            tone_hz=tracks.tone_hz if tracks else 0.0,
            step=step_read,
            bank=course.bank.number,
            held=course.state == "held",
            follows=course.follows,
            tone_stands=tracks is not None and self._stands(tracks),
            focus_track=focus,
            readings=read,
            health=health,
            tone_s=tracks.tone_s if tracks else 0.0,
            missing=sum(len(one.tracks) for one in self._missing),
            next_track=self._next_track(step_read.missing_tracks, waiting, focus, read),
            waiting_tracks=waiting,
            right_tracks=right,
        )

    def _right(self, readings: Sequence[Reading]) -> tuple[int, ...]:
        step, place = self._course.step, self._course.place
        if place != self._judged_at:
            self._judged_at = place
            self._judgement.forget()
        if step is None or step.adjustment == "bias":
            return ()
        return self._judgement.judge(readings, step.tolerance_db, self._course.now.position_s)

    def _waiting(
        self, missing: Collection[int], right: Collection[int], readings: Sequence[Reading]
    ) -> tuple[int, ...]:
        """Return the tracks of the bank that only wait to be logged; while held nothing logs itself."""
        visit, watch = self._course.visit, self._course.watch
        if visit is None or self._course.state == "held" or (watch is not None and watch.is_switched):
            return ()
        return tuple(
            one.track
            for place, one in enumerate(readings)
            if one.track in missing
            and one.track in right
            and not math.isnan(one.fine_db)
            and one.state != "moving"
            and visit.waits(place, settling=one.state == "settling")
        )

    def _next_track(
        self, missing: Collection[int], waiting: Collection[int], focus: int, readings: Sequence[Reading]
    ) -> int:
        step = self._course.step
        if step is None:
            return 0
        return next_track(
            self._course.bank.tracks,
            focus,
            missing=missing,
            waiting=waiting,
            undone=[track for track in missing if self._progress.is_undone(step, track)],
            in_hand=any(one.track == focus and one.state in ("moving", "settling") for one in readings),
        )

    def _step_reading(self) -> StepReading:
        index = self._course.index
        if self._read_at != (index, self._progress.revision):
            self._read_at = (index, self._progress.revision)
            self._missing = self._course.missing()
            self._step = self._step_of(index)
        return self._step

    def _step_of(self, index: int) -> StepReading:
        steps = self._setup.steps
        if index < 0:
            return NO_STEP
        step = steps[index]
        missing = next((one.tracks for one in self._missing if one.step == index + 1), ())
        return StepReading(
            number=index + 1,
            count=len(steps),
            adjustment=step.adjustment,
            tone_hz=step.tone_hz,
            speed_ips=step.speed_ips,
            target_vu=step.target_vu,
            tolerance_db=step.tolerance_db,
            uncertainty_db=step.target_uncertainty_db,
            complete=len(self._setup.tracks) - len(missing),
            missing_tracks=missing,
        )

    def _focus_track(self) -> int:
        course = self._course
        if self._chosen_focus:
            return self._chosen_focus
        moving = course.watch.focus if course.watch is not None and course.tracks is not None else None
        return 0 if moving is None else course.bank.tracks[moving]

    def _stands(self, tracks: TrackLevels) -> bool:
        """Return whether what is heard now is the tone that stands; without steps nobody watches, and any does."""
        watch = self._course.watch
        if watch is None or tracks.tone_hz == 0.0:
            return watch is None
        return watch.tone is not None and abs(tracks.tone_hz / watch.tone.hz - 1.0) <= SAME_TONE

    def _states(self, tracks: TrackLevels) -> Sequence[State]:
        plain: list[State] = ["quiet" if quiet else "tone" for quiet in np.isnan(tracks.tone_vu)]
        step, watch = self._course.step, self._course.watch
        if watch is None or step is None:
            return plain
        # What the procedure watches is the step's tone, from its first moment on; any other is no more than a tone, and
        # a sweep that goes by is none.
        if not on_tone(step, tracks.tone_hz):
            return plain if self._stands(tracks) else ["quiet"] * len(plain)
        both = zip(watch.states, plain, strict=True)
        return [seen if "quiet" not in (seen, heard) else heard for seen, heard in both]


def _silent(bank: Bank, target_vu: float, reference_dbfs: float) -> tuple[Reading, ...]:
    """Return the readings of a bank without a source."""
    vu = SILENCE_DB - reference_dbfs
    return tuple(
        Reading(track, vu, vu - target_vu, math.nan, math.nan, "quiet", SILENCE_DB, SILENCE_DB) for track in bank.tracks
    )


def _readings(
    bank: Bank, tracks: TrackLevels, target_vu: float, states: Sequence[State], clipped: Mapping[int, float]
) -> tuple[Reading, ...]:
    """Return the readings of a bank; tracks at the places (0…) in ``clipped`` are shown as clipped."""
    columns = zip(
        bank.tracks,
        tracks.vu.tolist(),
        (tracks.vu - target_vu).tolist(),
        (tracks.fine_vu - target_vu).tolist(),
        tracks.spread_db.tolist(),
        ("clipped" if place in clipped else state for place, state in enumerate(states)),
        tracks.peak_dbfs.tolist(),
        tracks.rms_dbfs.tolist(),
        strict=True,
    )
    return tuple(Reading(*column) for column in columns)
