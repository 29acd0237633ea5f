"""The plan: its order against the handbook's, its tones, targets and advice."""

import math
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.procedure.plan import default_tolerance_db, generate_steps, plan_step, plan_steps
from bridge.procedure.steps import Step
from bridge.tape.calibration_tape import CalibrationTape, Tone
from bridge.tape.equalization import Equalization
from bridge.tape.machine import ADJUSTMENTS, RECORD_SIDE, Machine, Speed
from bridge.tape.targets import StepRequest, compute_target

IEC1_15 = Equalization.named("iec1", 15)
EIGHT = Machine("m", 8, 320.0, 1.778, 3.302, (Speed(15, IEC1_15), Speed(30, Equalization.named("iec2", 30))))
THREE_TONES = (Tone(1000), Tone(10000), Tone(100))
TAPE = CalibrationTape(250.0, 15, IEC1_15, THREE_TONES)


def adjustments(steps):
    return [step.adjustment for step in steps]


def step_of(steps, adjustment):
    return next(step for step in steps if step.adjustment == adjustment)


def test_the_order_is_that_of_the_handbook():
    # Handbook for Sound Engineers, ch. 28, pp. 1096-1097: reproduce level and equalization, bias, record level, record
    # high, and the low end of record/reproduce last; sync while the calibration tape is still on (common practice).
    assert adjustments(generate_steps(EIGHT, TAPE)) == [
        "repro level", "repro high", "repro low",
        "sync level", "sync high", "sync low",
        "bias", "record level", "record high", "record low",
    ]  # fmt: skip


def test_steps_are_at_the_speed_of_the_tape_and_the_last_says_what_the_others_need():
    steps = generate_steps(EIGHT, TAPE)
    assert {step.speed_ips for step in steps} == {15}
    assert "For 30 in/s, start again with a tape made for that speed." in steps[-1].advice
    assert not [text for step in steps[:-1] for text in step.advice if "in/s" in text]


def test_a_tape_for_a_speed_that_the_machine_lacks_is_planned_as_it_is_heard():
    slow = CalibrationTape(
        250.0, 7.5, Equalization.named("iec1", 7.5), (Tone(500), Tone(5000), Tone(50)), reference_hz=500
    )
    steps = generate_steps(EIGHT, slow)
    assert [step.tone_hz for step in steps[:3]] == [1000, 10000, 100]
    assert {step.speed_ips for step in steps} == {15}
    assert "speed_mismatch" in [warning.code for warning in steps[0].target_warnings]


def test_targets_are_those_of_the_tape():
    steps = generate_steps(EIGHT, TAPE)
    for step in steps[:6]:
        expected = compute_target(StepRequest(step.adjustment, step.tone_hz, 15), EIGHT, TAPE)
        assert step.target_vu == expected.target_vu
        assert step.target_terms_db == expected.terms_db
        assert step.target_uncertainty_db == expected.uncertainty_db
    assert [step.target_vu for step in steps[6:]] == [-10, 0, 0, 0]


def test_of_many_tones_the_usual_ones_are_taken():
    hz = (31.5, 63, 100, 125, 250, 500, 1000, 2000, 5000, 8000, 10000, 12500, 16000, 20000)
    many = CalibrationTape(320.0, 15, IEC1_15, (Tone(1000), *(Tone(each, -10.0) for each in hz)))
    steps = generate_steps(EIGHT, many)
    assert [step.tone_hz for step in steps[:3]] == [1000, 10000, 100]
    assert step_of(steps, "repro level").target_terms_db["tape_level"] == 0
    assert step_of(steps, "repro high").target_terms_db["tape_level"] == -10


def test_the_record_side_takes_the_tones_of_the_reproduce_side():
    # Handbook for Sound Engineers, ch. 28: the record side is set to match the noted residuals of the test tape.
    unusual = CalibrationTape(320.0, 15, IEC1_15, (Tone(700), Tone(8000), Tone(50)), reference_hz=700)
    steps = generate_steps(EIGHT, unusual)
    for path in ("repro", "sync", "record"):
        assert [step_of(steps, f"{path} {what}").tone_hz for what in ("level", "high", "low")] == [700, 8000, 50]


def test_at_a_low_speed_the_high_tone_is_no_shorter_than_it_may_be():
    # Common practice, no source: 19 µm, which is 5 kHz at 3.75 in/s.
    slow = Equalization.named("iec2", 3.75)
    many = CalibrationTape(200.0, 3.75, slow, (Tone(1000), Tone(5000), Tone(10000), Tone(100)))
    steps = generate_steps(Machine("m", 2, 200.0, speeds=(Speed(3.75, slow),)), many)
    assert step_of(steps, "repro high").tone_hz == 5000


# Handbook: 38 µm is the usual bias-test wavelength, 10 kHz at 15 in/s and so 20 kHz at 30.
@pytest.mark.parametrize(
    ("ips", "curve", "bias_hz"), [(30, "iec2", 20000), (15, "iec1", 10000), (7.5, "iec1", 5000), (3.75, "iec2", 2500)]
)
def test_bias_is_tested_at_one_wavelength(ips, curve, bias_hz):
    heads = Machine("m", 2, 320.0, speeds=(Speed(ips, Equalization.named(curve, ips)),))
    made = CalibrationTape(320.0, ips, Equalization.named(curve, ips), THREE_TONES)
    assert step_of(generate_steps(heads, made), "bias").tone_hz == bias_hz


def test_high_tones_are_recorded_lower_at_low_speeds():
    # Common practice, no source: 10 kHz at operating level saturates the tape at 7.5 in/s.
    heads = Machine("m", 2, 320.0, speeds=(Speed(7.5, Equalization.named("iec1", 7.5)),))
    made = CalibrationTape(320.0, 7.5, Equalization.named("iec1", 7.5), THREE_TONES)
    assert step_of(generate_steps(heads, made), "record high").target_vu == -10
    assert step_of(generate_steps(EIGHT, TAPE), "record high").target_vu == 0


def test_the_calibration_tape_is_off_before_anything_records():
    steps = generate_steps(EIGHT, TAPE)
    assert steps[adjustments(steps).index("bias")].advice[0].startswith("Take the calibration tape off")
    assert "safe from recording" in step_of(steps, "sync level").advice[0]


def test_azimuth_is_advice_before_the_high_tones_with_the_tolerance_of_the_tape():
    # McKnight, "Azimuth in a Magnetic Tape Recorder", rev. 2000: ±300 µrad, at 10 kHz over one inch ±260° at 3.75 in/s,
    # and so ±65° at 15 in/s.
    advice = step_of(generate_steps(EIGHT, TAPE), "repro high").advice
    assert "at 10000 Hz" in advice[0]
    stated = re.search(r"300 µrad, is (\d+)° here", advice[0])
    assert stated is not None
    assert int(stated[1]) == pytest.approx(65, abs=1)
    unknown = Machine("m", 8, 320.0, speeds=EIGHT.speeds)
    assert "300 µrad" not in step_of(generate_steps(unknown, TAPE), "repro high").advice[0]


@pytest.mark.parametrize(
    ("tones", "left_out"),
    [
        ((Tone(1000), Tone(10000)), "low"),
        ((Tone(1000), Tone(100)), "high"),
        ((Tone(10000), Tone(100)), "level"),
    ],
)
def test_without_a_tone_its_steps_are_left_out_and_that_is_said(tones, left_out):
    steps = generate_steps(EIGHT, CalibrationTape(250.0, 15, IEC1_15, tones))
    assert set(ADJUSTMENTS) - set(adjustments(steps)) == {f"repro {left_out}", f"sync {left_out}"}
    assert f"no tone to set repro {left_out}, sync {left_out} by" in step_of(steps, "bias").advice[0]


def test_a_tape_without_tones_leaves_the_record_side():
    steps = generate_steps(EIGHT, CalibrationTape(250.0, 15, IEC1_15, ()))
    assert adjustments(steps) == ["bias", "record level", "record high", "record low"]


def test_a_list_that_a_person_wrote_keeps_its_order_and_its_figures():
    requests = (
        StepRequest("sync level", 1000, 15, 0.2, target_vu=-1.5),
        StepRequest("repro level", 1000, 15, 0.1),
    )
    by_hand, computed = plan_steps(requests, EIGHT, TAPE)
    assert (by_hand.adjustment, by_hand.tone_hz, by_hand.target_vu, by_hand.tolerance_db) == (
        "sync level",
        1000,
        -1.5,
        0.2,
    )
    assert math.fsum(by_hand.target_terms_db.values()) == pytest.approx(-1.5, abs=1e-12)
    assert computed == plan_step(requests[1], EIGHT, TAPE)


def test_what_only_informs_does_not_make_two_steps_differ():
    informed = plan_step(StepRequest("repro low", 100, 15), EIGHT, TAPE, ("read this",))
    plain = Step("repro low", 100, 15, informed.target_vu, informed.tolerance_db, informed.target_terms_db)
    assert informed.advice
    assert informed.target_warnings
    assert informed == plain


# Trade practice (from memory): level 0.1 to 0.25 dB, mid band 0.5 to 1, below 100 Hz 1.5 to 2, 16 to 20 kHz 1 to 2.
@pytest.mark.parametrize(
    ("adjustment", "tone_hz", "lowest", "highest"),
    [
        ("repro level", 1000, 0.1, 0.25),
        ("record level", 1000, 0.1, 0.25),
        ("sync level", 1000, 0.1, 0.25),
        ("repro high", 10000, 0.5, 1),
        ("repro high", 16000, 1, 2),
        ("repro low", 100, 0.5, 1),
        ("record low", 50, 1.5, 2),
    ],
)
def test_tolerances_are_the_usual_ones(adjustment, tone_hz, lowest, highest):
    assert lowest <= default_tolerance_db(adjustment, tone_hz) <= highest


@given(
    st.lists(st.builds(Tone, st.floats(20, 20_000), st.floats(-20, 3)), max_size=20),
    st.sampled_from([7.5, 15.0, 30.0]),
    st.sampled_from([7.5, 15.0, 30.0]),
)
def test_any_tape_makes_a_plan_whose_targets_add_up(tones, tape_ips, machine_ips):
    heads = Machine("m", 24, 320.0, 0.94, 2.11, (Speed(machine_ips, Equalization.free(35)),))
    steps = generate_steps(heads, CalibrationTape(250.0, tape_ips, Equalization.free(50, 3180), tuple(tones)))
    order = [ADJUSTMENTS.index(step.adjustment) for step in steps]
    assert order == sorted(set(order))
    for step in steps:
        assert math.fsum(step.target_terms_db.values()) == pytest.approx(step.target_vu, abs=1e-9)
        assert "tone_missing" not in [warning.code for warning in step.target_warnings]


IEC2_30 = Equalization.named("iec2", 30)
FAST = CalibrationTape(355.0, 30, IEC2_30, (Tone(1000), Tone(16000), Tone(50)), name="Fast one")
SLOW = CalibrationTape(250.0, 15, IEC1_15, THREE_TONES, name="Slow one")


def test_with_two_tapes_both_are_played_before_anything_records():
    # Common practice, no source: a calibration tape that is erased cannot be had again.
    steps = generate_steps(EIGHT, SLOW, FAST)
    played = ["repro level", "repro high", "repro low", "sync level", "sync high", "sync low"]
    recorded = ["bias", "record level", "record high", "record low"]
    assert [(step.speed_ips, step.adjustment) for step in steps] == [
        *((15, name) for name in played), *((30, name) for name in played),
        *((15, name) for name in recorded), *((30, name) for name in recorded),
    ]  # fmt: skip
    # The order of the speeds is that of the tapes.
    assert [step.speed_ips for step in generate_steps(EIGHT, FAST, SLOW)][::6] == [30, 15, 30, 15]


def test_each_speed_has_the_tones_and_targets_of_its_own_tape():
    steps = generate_steps(EIGHT, SLOW, FAST)
    for at, made in ((15, SLOW), (30, FAST)):
        alone = generate_steps(EIGHT, made)
        assert [step for step in steps if step.speed_ips == at] == list(alone)
        assert [step.target_uncertainty_db for step in steps if step.speed_ips == at] == [
            step.target_uncertainty_db for step in alone
        ]


def test_between_two_speeds_the_tape_is_changed_with_every_track_safe():
    steps = generate_steps(EIGHT, SLOW, FAST)
    first, second = (next(step for step in steps if step.speed_ips == at) for at in (15, 30))
    assert '15 in/s, "Slow one"' in first.advice[0]
    assert "35 µs" in first.advice[0]
    change = second.advice[0]
    assert change.index('off the calibration tape for 15 in/s, "Slow one"') < change.index("set the machine to 30 in/s")
    assert (
        change.index("17.5 µs")
        < change.index("every track is safe")
        < change.index("thread the calibration tape for 30")
    )
    assert "once for all speeds" in second.advice[1]
    assert "what was set at 15 in/s" in second.advice[1]
    biases = [step for step in steps if step.adjustment == "bias"]
    assert biases[0].advice[0].startswith("Take the calibration tape off")
    assert "Set the machine to 15 in/s" in biases[0].advice[1]
    assert "set the machine to 30 in/s" in biases[1].advice[0]
    assert "No calibration tape may be threaded again before every track is safe" in biases[1].advice[0]
    assert not [step for step in steps if any("start again" in text for text in step.advice)]


def test_the_azimuth_of_a_head_is_set_once():
    # One head, one azimuth: common practice, no source.
    high = [step for step in generate_steps(EIGHT, SLOW, FAST) if step.adjustment == "repro high"]
    assert "turn the azimuth" in high[0].advice[0]
    assert "only look at it here" in high[1].advice[0]


def test_the_azimuth_is_set_at_the_first_speed_whose_tape_has_a_high_tone():
    def without_high(tape):
        return replace(tape, tones=tuple(tone for tone in tape.tones if tone.hz <= 4000.0))

    (high,) = [step for step in generate_steps(EIGHT, without_high(SLOW), FAST) if step.adjustment == "repro high"]
    assert high.speed_ips == 30
    assert "turn the azimuth" in high.advice[0]
    speeds = (*EIGHT.speeds, Speed(7.5, Equalization.named("iec1", 7.5)))
    heads = Machine("m", 8, 320.0, 1.778, 3.302, speeds)
    slowest = CalibrationTape(250.0, 7.5, Equalization.named("iec1", 7.5), THREE_TONES)
    steps = generate_steps(heads, without_high(slowest), SLOW, FAST)
    first, second = [step for step in steps if step.adjustment == "repro high"]
    assert "turn the azimuth" in first.advice[0]
    assert "it was set at 15 in/s: only look at it here" in second.advice[0]


def test_a_third_speed_without_a_tape_is_said():
    speeds = (*EIGHT.speeds, Speed(7.5, Equalization.named("iec1", 7.5)))
    steps = generate_steps(Machine("m", 8, 320.0, 1.778, 3.302, speeds), SLOW, FAST)
    assert "For 7.5 in/s, start again with a tape made for that speed." in steps[-1].advice


some_tones = st.lists(st.builds(Tone, st.floats(20, 20_000), st.floats(-20, 3)), max_size=6).map(tuple)


@given(st.lists(st.tuples(some_tones, st.sampled_from([7.5, 15.0, 30.0])), min_size=1, max_size=4))
def test_whatever_the_tapes_none_is_played_once_anything_records(given_tapes):
    curve = Equalization.free(35)
    tapes = [CalibrationTape(250.0, ips, curve, tones) for tones, ips in given_tapes]
    heads = Machine("m", 24, 320.0, 0.94, 2.11, tuple(Speed(ips, curve) for ips in (7.5, 15, 30)))
    steps = generate_steps(heads, *tapes)
    recording = [step.adjustment in RECORD_SIDE for step in steps]
    assert recording == sorted(recording)
    assert list(dict.fromkeys(step.speed_ips for step in steps if step.adjustment == "bias")) == list(
        dict.fromkeys(ips for _, ips in given_tapes)
    )
    for step in steps:
        assert math.fsum(step.target_terms_db.values()) == pytest.approx(step.target_vu, abs=1e-9)
        assert not {"tone_missing", "speed_mismatch"} & {warning.code for warning in step.target_warnings}
