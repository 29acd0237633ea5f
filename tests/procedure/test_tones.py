"""What is a tone of the plan and what is not, and which step wants it. Frequencies are those of IEC 60094-2's kind."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest

from bridge.procedure.following import StepFollowed, StepFollower, StepKept, ToneFitsNoStep
from bridge.procedure.steps import Step
from bridge.procedure.tapes import Tapes
from bridge.procedure.tones import Tone, ToneEnded, ToneStarted, ToneWatch
from bridge.tape.calibration_tape import CalibrationTape
from bridge.tape.calibration_tape import Tone as TapeTone
from bridge.tape.equalization import Equalization
from bridge.tape.machine import Adjustment, Machine, Speed

PLAN_HZ = (1000.0, 10_000.0, 100.0, 15_000.0, 16_000.0)


@dataclass
class Heard:
    """What a meter says of 4 tracks, update by update."""

    tracks: int = 4
    t_s: float = 0.0

    def tone(self, seconds: float, hz: float, *, flutter: float = 0.0, drift: float = 0.0, **more: float) -> Iterator:
        """``flutter`` and ``drift`` (a second) are fractions of the frequency."""
        share, swell_db, live = more.get("share", 0.99), more.get("swell_db", 0.0), int(more.get("live", self.tracks))
        for number in range(round(seconds * 100)):
            self.t_s += 0.01
            moment_s = number * 0.01
            now_hz = hz * (1.0 + flutter * math.sin(2 * math.pi * 1.3 * moment_s) + drift * moment_s)
            carries = np.arange(self.tracks) < live
            level = np.where(carries, -18.0 + swell_db * math.sin(2 * math.pi * 1.1 * moment_s), math.nan)
            rms = np.where(carries, -18.0, more.get("other_dbfs", -90.0))
            yield self.t_s, now_hz, level, np.where(carries, share, 0.0), rms

    def silence(self, seconds: float) -> Iterator:
        for _ in range(round(seconds * 100)):
            self.t_s += 0.01
            yield self.t_s, 0.0, np.full(self.tracks, math.nan), np.zeros(self.tracks), np.full(self.tracks, -80.0)


def told(watch: ToneWatch, *heard: Iterator) -> list[ToneStarted | ToneEnded]:
    return [event for part in heard for update in part for event in watch.push(*update)]


@pytest.mark.parametrize("speed", [0.99, 0.997, 1.0, 1.01])
@pytest.mark.parametrize("nominal_hz", [1000.0, 10_000.0, 100.0])
def test_a_tone_is_known_despite_speed_error_and_flutter(nominal_hz: float, speed: float) -> None:
    heard, watch = Heard(), ToneWatch(PLAN_HZ, 4)
    events = told(watch, heard.silence(1.0), heard.tone(5.0, nominal_hz * speed, flutter=0.001), heard.silence(1.0))
    started, ended = events
    assert isinstance(started, ToneStarted)
    assert isinstance(ended, ToneEnded)
    assert started.tone.nominal_hz == nominal_hz
    assert started.tone.speed_error_percent == pytest.approx(100.0 * (speed - 1.0), abs=0.1)
    assert started.tone.started_s == pytest.approx(1.0, abs=0.15)
    assert started.told_s == pytest.approx(1.9, abs=0.2)
    assert ended.ended_s == pytest.approx(6.0, abs=0.02)
    assert watch.tone is None


def test_tones_that_follow_without_a_gap_are_told_apart() -> None:
    heard, watch = Heard(), ToneWatch(PLAN_HZ, 4)
    events = told(watch, heard.tone(3.0, 1000.0), heard.tone(3.0, 10_000.0), heard.tone(3.0, 100.0))
    assert [type(event) for event in events] == [ToneStarted, ToneEnded, ToneStarted, ToneEnded, ToneStarted]
    assert [event.tone.nominal_hz for event in events] == [1000.0, 1000.0, 10_000.0, 10_000.0, 100.0]


def test_a_dropout_of_all_tracks_does_not_end_a_tone() -> None:
    heard, watch = Heard(), ToneWatch(PLAN_HZ, 4)
    events = told(watch, heard.tone(3.0, 1000.0), heard.silence(0.4), heard.tone(3.0, 1001.0))
    assert [type(event) for event in events] == [ToneStarted]


def speech(heard: Heard, seconds: float) -> Iterator:
    """Vowels of 0.15 s to 0.4 s at changing pitch, with breaks, and a share that no tone has for long."""
    rng = np.random.default_rng(5)
    end_s = heard.t_s + seconds
    while heard.t_s < end_s:
        yield from heard.tone(
            float(rng.uniform(0.15, 0.4)),
            float(rng.uniform(90.0, 250.0)),
            flutter=0.03,
            share=float(rng.uniform(0.5, 0.9)),
            swell_db=6.0,
        )
        yield from heard.silence(float(rng.uniform(0.05, 0.3)))


def test_an_announcement_is_no_tone() -> None:
    heard, watch = Heard(), ToneWatch(PLAN_HZ, 4)
    assert told(watch, speech(heard, 30.0)) == []


def test_notes_held_for_half_a_second_are_no_tones() -> None:
    heard, watch = Heard(), ToneWatch(PLAN_HZ, 4)
    notes = [heard.tone(0.5, hz) for hz in (1000.0, 1122.5, 1259.9, 1000.0, 749.2) * 5]
    assert told(watch, *notes) == []


@pytest.mark.parametrize("drift", [0.005, 0.02, 0.07])
def test_a_sweep_is_no_tone(drift: float) -> None:
    heard, watch = Heard(), ToneWatch(PLAN_HZ, 4)
    assert told(watch, heard.tone(20.0, 900.0, drift=drift)) == []


def test_noise_with_a_hum_in_it_is_no_tone() -> None:
    heard, watch = Heard(), ToneWatch(PLAN_HZ, 4)
    assert told(watch, heard.tone(10.0, 100.0, share=0.6)) == []


def test_what_swells_on_all_tracks_is_no_tone() -> None:
    heard, watch = Heard(), ToneWatch(PLAN_HZ, 4)
    assert told(watch, heard.tone(10.0, 1000.0, swell_db=3.0)) == []


def test_a_tone_must_be_on_most_of_the_tracks_that_are_not_silent() -> None:
    heard, watch = Heard(8), ToneWatch(PLAN_HZ, 8)
    assert told(watch, heard.tone(5.0, 1000.0, live=3, other_dbfs=-30.0)) == []
    # The other five are not connected.
    heard, watch = Heard(8), ToneWatch(PLAN_HZ, 8)
    assert len(told(watch, heard.tone(5.0, 1000.0, live=3))) == 1


def test_a_tone_that_is_not_in_the_plan_is_said_to_be_none_of_it() -> None:
    heard, watch = Heard(), ToneWatch(PLAN_HZ, 4)
    (event,) = told(watch, heard.tone(3.0, 5000.0))
    assert event.tone.nominal_hz is None
    assert event.tone.candidates_hz == ()
    assert math.isnan(event.tone.speed_error_percent)


def test_tones_of_the_plan_too_near_to_each_other_are_not_guessed() -> None:
    heard, watch = Heard(), ToneWatch((997.0, 1010.0), 4)
    (event,) = told(watch, heard.tone(3.0, 1003.0))
    assert event.tone.nominal_hz is None
    assert sorted(event.tone.candidates_hz) == [997.0, 1010.0]


def test_the_speed_error_of_an_earlier_tone_tells_near_tones_apart() -> None:
    heard, watch = Heard(), ToneWatch((1000.0, 10_000.0, 10_100.0), 4)
    events = told(watch, heard.tone(3.0, 1010.0), heard.silence(2.0), heard.tone(3.0, 10_100.0))
    assert [event.tone.nominal_hz for event in events if isinstance(event, ToneStarted)] == [1000.0, 10_000.0]


def test_a_frequency_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0 Hz"):
        ToneWatch((1000.0, 0.0), 4)


def step(adjustment: Adjustment, hz: float, ips: float = 15.0) -> Step:
    return Step(adjustment, hz, ips, 0.0, 0.1)


STEPS = (
    step("repro level", 1000.0),
    step("repro high", 10_000.0),
    step("repro low", 100.0),
    step("sync level", 1000.0),
    step("sync high", 10_000.0),
    step("bias", 10_000.0),
    step("record level", 1000.0),
    step("record high", 10_000.0),
    step("record low", 100.0),
    step("repro level", 1000.0, 30.0),
    step("repro high", 16_000.0, 30.0),
)


def sounding(nominal_hz: float, speed: float = 1.004) -> Tone:
    return Tone(nominal_hz * speed, nominal_hz, (nominal_hz,), 100.0 * (speed - 1.0), 0.0)


def test_the_step_follows_the_tape_and_back() -> None:
    follower = StepFollower(STEPS)
    assert follower.follow(sounding(1000.0)) == StepKept(0)
    assert follower.follow(sounding(10_000.0)) == StepFollowed(1)
    assert follower.follow(sounding(100.0)) == StepFollowed(2)
    assert follower.follow(sounding(1000.0)) == StepFollowed(0)
    assert follower.follow(sounding(100.0)) == StepFollowed(2)


def test_the_path_and_the_speed_are_what_the_person_has_chosen() -> None:
    follower = StepFollower(STEPS)
    follower.choose(3)
    assert follower.follow(sounding(10_000.0)) == StepFollowed(4)
    follower.choose(9)
    assert follower.follow(sounding(16_000.0)) == StepFollowed(10)
    elsewhere = follower.follow(sounding(100.0))
    assert isinstance(elsewhere, ToneFitsNoStep)
    assert elsewhere.elsewhere == (2, 8)
    assert "repro low" in elsewhere.reason
    assert follower.index == 10


def test_on_the_record_side_the_same_tone_leads_to_the_next_step_that_wants_it() -> None:
    follower = StepFollower(STEPS, 5)
    assert follower.follow(sounding(10_000.0)) == StepKept(5)
    assert follower.follow(sounding(1000.0)) == StepFollowed(6)
    assert follower.follow(sounding(10_000.0)) == StepFollowed(7)
    assert follower.follow(sounding(100.0)) == StepFollowed(8)
    assert follower.follow(sounding(1000.0)) == StepFollowed(6)


def test_what_the_person_chooses_stays_until_another_tone_plays() -> None:
    follower = StepFollower(STEPS)
    follower.follow(sounding(1000.0))
    follower.choose(2)
    assert follower.follow(sounding(1000.0)) == StepKept(2)
    assert follower.follow(sounding(10_000.0)) == StepFollowed(1)


def test_while_it_is_held_nothing_is_followed() -> None:
    follower = StepFollower(STEPS)
    follower.hold(True)
    assert follower.held
    assert follower.follow(sounding(10_000.0)) == StepKept(0)
    follower.hold(False)
    assert follower.follow(sounding(10_000.0)) == StepFollowed(1)


def test_following_can_be_switched_off_and_begins_again_with_what_plays() -> None:
    follower = StepFollower(STEPS)
    follower.follow(sounding(1000.0))
    follower.let_follow(False)
    assert not follower.follows
    assert follower.follow(sounding(10_000.0)) == StepKept(0)
    assert follower.step_of(sounding(10_000.0)) == 1
    assert not follower.is_behind
    follower.let_follow(True)
    assert follower.is_behind
    assert follower.follow(sounding(10_000.0)) == StepFollowed(1)
    assert not follower.is_behind


def test_switched_on_it_follows_also_where_the_person_has_chosen_meanwhile() -> None:
    follower = StepFollower(STEPS)
    follower.follow(sounding(10_000.0))
    follower.let_follow(False)
    follower.choose(2)
    assert follower.follow(sounding(10_000.0)) == StepKept(2)
    follower.let_follow(True)
    assert follower.follow(sounding(10_000.0)) == StepFollowed(1)


def test_what_is_chosen_after_following_was_switched_on_stays() -> None:
    follower = StepFollower(STEPS)
    follower.follow(sounding(1000.0))
    # Asked for again, nothing begins anew: what was chosen stays.
    follower.choose(2)
    follower.let_follow(True)
    assert not follower.is_behind
    assert follower.follow(sounding(1000.0)) == StepKept(2)
    follower.let_follow(False)
    follower.let_follow(True)
    follower.choose(2)
    assert not follower.is_behind
    assert follower.follow(sounding(1000.0)) == StepKept(2)


def test_following_that_is_switched_on_while_held_begins_when_it_goes_on() -> None:
    follower = StepFollower(STEPS)
    follower.follow(sounding(1000.0))
    follower.hold(True)
    follower.let_follow(False)
    follower.let_follow(True)
    assert not follower.is_behind
    assert follower.follow(sounding(10_000.0)) == StepKept(0)
    follower.hold(False)
    assert follower.is_behind
    assert follower.follow(sounding(10_000.0)) == StepFollowed(1)


def test_a_tone_that_fits_no_step_is_said_also_where_none_is_followed() -> None:
    follower = StepFollower(STEPS)
    follower.let_follow(False)
    assert isinstance(follower.follow(Tone(5000.0, None, (), math.nan, 0.0)), ToneFitsNoStep)
    assert follower.step_of(Tone(5000.0, None, (), math.nan, 0.0)) is None
    assert StepFollower(()).step_of(sounding(1000.0)) is None


def test_a_tone_that_fits_no_step_is_said_and_not_guessed() -> None:
    follower = StepFollower(STEPS)
    unknown = Tone(5000.0, None, (), math.nan, 0.0)
    assert isinstance(follower.follow(unknown), ToneFitsNoStep)
    either = follower.follow(Tone(1003.0, None, (997.0, 1010.0), math.nan, 0.0))
    assert isinstance(either, ToneFitsNoStep)
    assert "997 Hz or 1010 Hz" in either.reason
    assert isinstance(StepFollower(()).follow(sounding(1000.0)), ToneFitsNoStep)
    assert follower.index == 0


@pytest.mark.parametrize("index", [-1, 11])
def test_a_step_that_is_not_there_is_refused(index: int) -> None:
    with pytest.raises(ValueError, match="no step"):
        StepFollower(STEPS).choose(index)
    with pytest.raises(ValueError, match="no step"):
        StepFollower(STEPS, index)


def both_speeds() -> tuple[Step, ...]:
    """The plan of two tapes that have the same tones."""
    names: tuple[tuple[Adjustment, float], ...] = (("repro level", 1000.0), ("repro high", 10_000.0))
    sync: tuple[tuple[Adjustment, float], ...] = (("sync level", 1000.0), ("sync high", 10_000.0))
    played = [step(name, hz, ips) for ips in (15.0, 30.0) for name, hz in (*names, *sync)]
    return (*played, step("bias", 10_000.0), step("bias", 20_000.0, 30.0))


def two_tapes(*more: TapeTone) -> Tapes:
    slow = CalibrationTape(250.0, 15, Equalization.named("iec1", 15), (TapeTone(1000), TapeTone(10_000), *more))
    fast = CalibrationTape(320.0, 30, Equalization.named("iec2", 30), (TapeTone(1000), TapeTone(10_000)))
    speeds = (Speed(15, slow.equalization), Speed(30, fast.equalization))
    return Tapes.on(Machine("m", 8, 320.0, speeds=speeds), (slow, fast))


def test_a_tone_that_both_speeds_want_stays_at_the_chosen_one() -> None:
    follower = StepFollower(both_speeds(), 0, two_tapes())
    assert follower.follow(sounding(10_000.0)) == StepFollowed(1)
    assert follower.follow(sounding(1000.0)) == StepFollowed(0)
    follower.choose(3)
    assert follower.follow(sounding(10_000.0)) == StepKept(3)
    assert follower.follow(sounding(1000.0)) == StepFollowed(2)
    # `next` behind the last step of one speed leads to the other tape; from there on its tones do.
    follower.choose(3)
    follower.choose(4)
    assert follower.follow(sounding(10_000.0)) == StepFollowed(5)
    assert follower.follow(sounding(1000.0)) == StepFollowed(4)


# A tape at twice its speed is heard an octave higher, at half of it an octave lower.
@pytest.mark.parametrize(
    ("chosen", "hz", "said"),
    [
        (0, 2000.0, "2000 Hz may be 1000 Hz of a tape for 15 in/s at 30 in/s"),
        (4, 2000.0, "2000 Hz may be 1000 Hz of a tape for 15 in/s at 30 in/s"),
        (4, 500.0, "500 Hz may be 1000 Hz of a tape for 30 in/s at 15 in/s"),
        # 20 kHz is the bias tone at 30 in/s: nobody with a calibration tape on is led there.
        (1, 20_000.0, "20000 Hz may be 10000 Hz of a tape for 15 in/s at 30 in/s"),
    ],
)
def test_a_tape_at_a_wrong_speed_is_said_and_not_followed(chosen: int, hz: float, said: str) -> None:
    follower = StepFollower(both_speeds(), chosen, two_tapes())
    nominal = 20_000.0 if hz == 20_000.0 else None
    outcome = follower.follow(Tone(hz * 1.001, nominal, (), math.nan, 0.0))
    assert isinstance(outcome, ToneFitsNoStep)
    assert outcome.reason.replace(f"{hz * 1.001:.0f}", f"{hz:.0f}", 1).startswith(said)
    assert "look at the speed and at the tape" in outcome.reason
    assert follower.index == chosen


def test_a_tone_that_the_tape_of_the_chosen_speed_has_is_not_called_a_wrong_speed() -> None:
    follower = StepFollower(both_speeds(), 0, two_tapes(TapeTone(2000)))
    other = follower.follow(Tone(2000.0, 2000.0, (2000.0,), 0.0, 0.0))
    assert isinstance(other, ToneFitsNoStep)
    assert other.reason == "2000 Hz is a tone of this tape that no step wants"


def at_slow_speed(*more: TapeTone) -> Tapes:
    """Return a tape for 15 in/s with more tones, and one for 7.5 in/s whose level is at 500 Hz."""
    house = CalibrationTape(250.0, 15, Equalization.named("iec1", 15), (TapeTone(1000), TapeTone(10_000), *more))
    slow = CalibrationTape(250.0, 7.5, Equalization.named("iec1", 7.5), (TapeTone(500), TapeTone(8000)))
    speeds = (Speed(15, house.equalization), Speed(7.5, slow.equalization))
    return Tapes.on(Machine("m", 8, 320.0, speeds=speeds), (house, slow))


HOUSE_AND_SLOW = (
    step("repro level", 1000.0),
    step("repro high", 10_000.0),
    step("sync high", 12_500.0),
    step("repro level", 500.0, 7.5),
    step("bias", 10_000.0),
    step("bias", 5000.0, 7.5),
    step("record level", 500.0, 7.5),
)


@pytest.mark.parametrize(
    ("hz", "more", "said"),
    [
        # 5 kHz is wanted by bias at 7.5 in/s alone: nobody with a calibration tape on is sent to the record side.
        (5000.0, (TapeTone(5000),), "5000 Hz is a tone of this tape that no step here wants"),
        (5000.0, (), "5000 Hz may be 10000 Hz of a tape for 15 in/s at 7.5 in/s: look at the speed and at the tape"),
        # The tape of the chosen speed has it: that comes before the step of another speed.
        (500.0, (TapeTone(500),), "500 Hz is a tone of this tape that no step here wants"),
        (
            500.0,
            (),
            '500 Hz may be for "repro level" at 7.5 in/s, or 1000 Hz of a tape for 15 in/s at 7.5 in/s:'
            " look at the speed and at the tape",
        ),
        (12_500.0, (TapeTone(12_500),), '12500 Hz is wanted by "sync high" at 15 in/s: choose that step'),
    ],
)
def test_with_a_calibration_tape_on_a_tone_leads_to_no_record_step_and_past_no_tape(
    hz: float, more: tuple[TapeTone, ...], said: str
) -> None:
    follower = StepFollower(HOUSE_AND_SLOW, 0, at_slow_speed(*more))
    other = follower.follow(Tone(hz, hz, (hz,), 0.0, 0.0))
    assert isinstance(other, ToneFitsNoStep)
    assert other.reason == said


def test_without_a_tape_that_has_the_tone_no_record_step_is_named_either() -> None:
    other = StepFollower(HOUSE_AND_SLOW, 0).follow(Tone(5000.0, 5000.0, (5000.0,), 0.0, 0.0))
    assert isinstance(other, ToneFitsNoStep)
    assert other.reason == "no step here wants a tone of 5000 Hz"
    assert other.elsewhere == (5,)


def test_on_the_record_side_a_tone_of_another_speed_is_that_of_its_record_step() -> None:
    other = StepFollower(HOUSE_AND_SLOW, 4, at_slow_speed()).follow(Tone(500.0, 500.0, (500.0,), 0.0, 0.0))
    assert isinstance(other, ToneFitsNoStep)
    assert other.reason == '500 Hz is wanted by "record level" at 7.5 in/s: choose that step'


def test_where_the_machine_names_no_speeds_those_of_the_tapes_are_its() -> None:
    tapes = [tape for tape, _ in two_tapes().serving]
    follower = StepFollower(both_speeds(), 0, Tapes.on(Machine("m", 8, 320.0), tapes))
    other = follower.follow(Tone(2000.0, None, (), math.nan, 0.0))
    assert isinstance(other, ToneFitsNoStep)
    assert other.reason.startswith("2000 Hz may be 1000 Hz of a tape for 15 in/s at 30 in/s")


def test_on_the_record_side_no_tape_is_suspected() -> None:
    follower = StepFollower(both_speeds(), 8, two_tapes())
    other = follower.follow(Tone(2000.0, None, (), math.nan, 0.0))
    assert isinstance(other, ToneFitsNoStep)
    assert other.reason == "no step wants a tone of 2000 Hz"
