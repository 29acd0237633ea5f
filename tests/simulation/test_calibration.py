"""The hand, and whole calibrations: the truth of every trim against what is heard."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from bridge.simulation.calibration import Follow, Manner, Performance, Task, perform
from bridge.simulation.condition import Condition
from bridge.simulation.hand import CAREFUL, HASTY, Temperament
from bridge.simulation.levels import TickLevels, render_levels
from bridge.simulation.recorder import Recorder
from tests.simulation.machines import TAPE, heard, machine, rms_dbfs

TASKS = (Task("repro level", 1000.0), Task("repro high", 10_000.0), Task("repro low", 100.0))
NOISELESS = replace(
    Condition(),
    hiss_db=-200.0,
    hum_db=-200.0,
    converter_noise_dbfs=-200.0,
    level_wander_db=0.0,
    spacing_wander_um=0.0,
    azimuth_weave_urad=0.0,
    dropouts_per_minute=0.0,
)


def played(
    manner: Manner,
    seed: int = 1,
    condition: Condition = NOISELESS,
    tasks: tuple[Task, ...] = TASKS,
    found_db: np.ndarray | None = None,
) -> tuple[Recorder, Performance]:
    recorder = Recorder(machine(8), TAPE, condition, seed=seed, found_db=found_db)
    return recorder, perform(recorder, tasks, manner, seed)


def levels_of(recorder: Recorder, performance: Performance) -> TickLevels:
    return render_levels(recorder, 0, int(performance.end_s * 100))


MANNERS = [
    Manner(CAREFUL),
    Manner(HASTY),
    Manner(Temperament.between(0.5), follow="rewind", backwards=1.0),
    Manner(Temperament.between(0.5), hands=2, playback_changes=0.2),
    Manner(HASTY, hands=2, follow="rewind", playback_changes=0.1),
]


@pytest.mark.parametrize("manner", MANNERS)
def test_the_truth_is_what_is_heard(manner: Manner) -> None:
    for seed in (1, 2):
        recorder, performance = played(manner, seed)
        levels = levels_of(recorder, performance)
        assert len(performance.acts) > 10
        for act in performance.acts:
            heard_vu = levels.tone_dbfs[:, act.track - 1] + 18.0
            before, after = int(act.start_s * 100) - 1, int(np.ceil(act.end_s * 100)) + 1
            assert heard_vu[before] == pytest.approx(act.as_found_vu, abs=0.001)
            assert heard_vu[after] == pytest.approx(act.as_left_vu, abs=0.001)
            on_the_way = heard_vu[before : after + 1]
            # A scratching wiper goes a little beyond.
            assert on_the_way.min() > act.lowest_vu - 0.3
            assert on_the_way.max() < act.highest_vu + 0.3
            assert on_the_way.max() > act.highest_vu - 0.1


@pytest.mark.parametrize("manner", MANNERS)
def test_nothing_moves_but_what_the_truth_says(manner: Manner) -> None:
    recorder, performance = played(replace(manner, playback_changes=0.0), 3)
    levels = levels_of(recorder, performance).tone_dbfs
    moves = np.abs(np.diff(levels, axis=0)) > 1e-6
    for act in performance.acts:
        for start_s, end_s in act.strokes_s:
            moves[int(start_s * 100) - 1 : int(np.ceil(end_s * 100)) + 1, act.track - 1] = False
    for stage in performance.stages:
        # Where a tone is wound back to, it ends and begins.
        if stage.rewinds == 0:
            assert not moves[int(stage.start_s * 100) + 10 : int(stage.end_s * 100)].any()


def test_every_track_is_accounted_for() -> None:
    for manner in MANNERS:
        recorder, performance = played(manner, 4)
        levels = levels_of(recorder, performance)
        assert [stage.task for stage in performance.stages] == list(TASKS)
        for stage in performance.stages:
            touched = {act.track for act in stage.acts}
            assert touched | {one.track for one in stage.untouched} == set(range(1, 9))
            assert not touched & {one.track for one in stage.untouched}
            for act in stage.acts:
                assert stage.start_s < act.start_s < act.end_s < stage.end_s
                assert act.adjustment == stage.task.adjustment
                assert act.tone_hz == stage.task.tone_hz
            for one in stage.untouched:
                last = int(stage.end_s * 100) - 2
                if levels.tone_hz[last]:
                    assert levels.tone_dbfs[last, one.track - 1] + 18.0 == pytest.approx(one.level_vu, abs=0.001)


def test_a_seed_gives_the_same_calibration_at_any_sample_rate() -> None:
    def acts(rate_hz: int, seed: int) -> tuple[object, ...]:
        recorder = Recorder(machine(8), TAPE, seed=2, sample_rate_hz=rate_hz)
        return perform(recorder, TASKS, Manner(HASTY), seed).acts

    assert acts(48_000, 5) == acts(96_000, 5)
    assert acts(48_000, 5) != acts(48_000, 6)


def test_a_careful_hand_leaves_what_it_aimed_at() -> None:
    found_db = np.zeros((2, 3, 8))
    found_db[0, 0] = [-8.0, -4.0, -1.0, -0.3, 0.3, 1.0, 3.0, 6.0]
    recorder, performance = played(Manner(CAREFUL.never()), 2, tasks=TASKS[:1], found_db=found_db)
    acts = {act.track: act for act in performance.acts}
    for track in range(1, 9):
        # The high and low trimmers, which the recorder has drawn to be right, leave 1 kHz where it was.
        assert acts[track].as_found_db == pytest.approx(found_db[0, 0, track - 1], abs=0.05)
        assert abs(acts[track].as_left_db) < CAREFUL.satisfied_db + 4.0 * CAREFUL.reading_db
        assert acts[track].kind == "trim"
    assert recorder.panel.wipers[0, 0] == pytest.approx(recorder.channels.aligned[0, 0], abs=0.02)
    assert np.array_equal(recorder.panel.wipers[0, 1:], recorder.channels.found[0, 1:])


def test_tracks_that_are_right_are_left_alone() -> None:
    _, performance = played(Manner(CAREFUL.never()), tasks=TASKS[:1], found_db=np.zeros((2, 3, 8)))
    stage = performance.stages[0]
    assert len(stage.untouched) >= 6
    assert all(abs(one.level_vu) < 0.001 for one in stage.untouched)


def test_haste_overshoots_and_care_creeps_up() -> None:
    def overshot(temperament: Temperament) -> float:
        acts = [act for seed in range(1, 9) for act in played(Manner(temperament), seed, tasks=TASKS[:1])[1].acts]
        passed = [
            act.highest_vu > max(act.as_found_vu, act.as_left_vu) + 0.02
            or act.lowest_vu < min(act.as_found_vu, act.as_left_vu) - 0.02
            for act in acts
            if act.kind == "trim" and abs(act.as_found_db) > 0.4
        ]
        return float(np.mean(passed))

    assert overshot(HASTY.never()) > overshot(CAREFUL.never()) + 0.1


def test_slips_are_on_a_neighbour_and_nearly_turned_back() -> None:
    slippery = replace(HASTY.never(), slips=1.0)
    _, performance = played(Manner(slippery), 3)
    slips = [act for act in performance.acts if act.kind == "slip"]
    assert len(slips) >= 10
    for act in slips:
        # At the tone of the trimmer the way is a good part of a dB, and what is left of it little.
        assert abs(act.as_left_vu - act.as_found_vu) < 0.35 * act.excursion_db
        assert len(act.strokes_s) == 2
        assert abs(act.track - act.meant_track) == 1


def test_an_undo_ends_where_the_trim_began() -> None:
    wavering = replace(HASTY.never(), undoes=1.0)
    _, performance = played(Manner(wavering), 3, tasks=TASKS[:1])
    kinds = [act.kind for act in performance.acts]
    assert kinds.count("undo") >= 3
    for trim, undo in pairwise(performance.acts):
        if undo.kind == "undo":
            assert (undo.track, trim.kind) == (trim.track, "trim")
            # To within the play of the trimmer.
            assert undo.as_left_vu == pytest.approx(trim.as_found_vu, abs=0.25)


def test_a_track_that_is_passed_over_stays_as_it_was() -> None:
    blind = replace(CAREFUL.never(), skips=1.0)
    _, performance = played(Manner(blind), tasks=TASKS[:1])
    assert not performance.acts
    assert max(abs(one.level_vu) for one in performance.stages[0].untouched) > 0.3


def test_a_track_is_come_back_to() -> None:
    doubting = replace(HASTY.never(), revisits=1.0)
    _, performance = played(Manner(doubting), 3, tasks=TASKS[:1])
    tracks = [act.track for act in performance.acts]
    assert len(tracks) > len(set(tracks))
    for one, other in pairwise(sorted(performance.acts, key=lambda act: (act.track, act.start_s))):
        if one.track == other.track:
            assert one.end_s < other.start_s
            assert other.as_found_vu == pytest.approx(one.as_left_vu, abs=1e-6)


def test_two_hands_work_at_the_same_time() -> None:
    _, performance = played(Manner(CAREFUL, hands=2), 2, tasks=TASKS[:1])
    together = [
        (one.track, other.track)
        for one in performance.acts
        for other in performance.acts
        if one.track % 2 and not other.track % 2 and one.start_s < other.end_s and other.start_s < one.end_s
    ]
    assert together
    _, alone = played(Manner(CAREFUL), 2, tasks=TASKS[:1])
    assert performance.end_s < alone.end_s


@pytest.mark.parametrize(("follow", "gaps"), [("splice", False), ("rewind", True)])
def test_a_tone_that_is_too_short_is_had_again(follow: Follow, gaps: bool) -> None:
    tape = replace(TAPE, tones=tuple(replace(tone, seconds=25.0) for tone in TAPE.tones))
    recorder = Recorder(machine(8), tape, NOISELESS, seed=1)
    performance = perform(recorder, TASKS, Manner(CAREFUL, follow=follow), 1)
    levels = levels_of(recorder, performance)
    for stage in performance.stages:
        assert stage.rewinds > 0
        hz = levels.tone_hz[int(stage.start_s * 100) + 5 : int(stage.end_s * 100) - 5]
        assert (hz == 0.0).any() == gaps
        for act in stage.acts:
            for start_s, end_s in act.strokes_s:
                assert levels.tone_hz[int(start_s * 100) : int(end_s * 100) + 1].all()


def test_the_playback_level_moves_all_tracks_together() -> None:
    recorder, performance = played(Manner(CAREFUL, playback_changes=1.0), 2, tasks=TASKS[:1])
    levels = levels_of(recorder, performance).tone_dbfs
    assert len(performance.playback_changes_s) >= 8
    for change_s in performance.playback_changes_s:
        change_db = levels[int(change_s * 100) + 200] - levels[int(change_s * 100) - 2]
        assert np.abs(change_db).min() > 0.25
        assert change_db == pytest.approx(np.full(8, change_db[0]), abs=1e-6)
    for act in performance.acts:
        for start_s, end_s in act.strokes_s:
            assert not any(start_s - 0.5 < change_s < end_s for change_s in performance.playback_changes_s)


def test_the_sync_path_is_switched_to() -> None:
    tasks = (Task("repro level", 1000.0), Task("sync level", 1000.0), Task("sync high", 10_000.0))
    recorder, performance = played(Manner(CAREFUL.never()), 2, tasks=tasks)
    for stage, path in zip(performance.stages, (0, 1, 1), strict=True):
        assert recorder.path_at(int(stage.start_s * 100) + 1) == path
    assert all(abs(act.as_left_db) < 0.2 for act in performance.acts)


def test_with_wander_and_noise_the_truth_is_the_mean_of_what_is_heard() -> None:
    recorder, performance = played(Manner(CAREFUL), 3, Condition())
    levels = levels_of(recorder, performance).tone_dbfs
    errors = [
        levels[int(act.end_s * 100) + 5 : int(act.end_s * 100) + 65, act.track - 1].mean() + 18.0 - act.as_left_vu
        for act in performance.acts
        if act.tone_hz == 1000.0
    ]
    assert np.mean(errors) == pytest.approx(0.0, abs=0.03)
    # The wander is 0.04 dB.
    assert np.std(errors) < 0.06


def test_the_samples_tell_the_same_truth() -> None:
    recorder, performance = played(Manner(HASTY), 2, Condition(), tasks=TASKS[:1])
    act = max(performance.acts, key=lambda act: abs(act.as_left_vu - act.as_found_vu))
    before = rms_dbfs(heard(recorder, act.start_s - 0.3, act.start_s))[act.track - 1]
    after = rms_dbfs(heard(recorder, act.end_s + 0.01, act.end_s + 0.31))[act.track - 1]
    assert before + 18.0 == pytest.approx(act.as_found_vu, abs=0.15)
    assert after + 18.0 == pytest.approx(act.as_left_vu, abs=0.15)


def test_what_cannot_be_done_is_refused() -> None:
    with pytest.raises(LookupError, match="no tone of 440 Hz"):
        played(Manner(CAREFUL), tasks=(Task("repro level", 440.0),))
    with pytest.raises(ValueError, match="has no trimmer here"):
        played(Manner(CAREFUL), tasks=(Task("bias", 1000.0),))
    with pytest.raises(ValueError, match="haste must be from 0 to 1"):
        Temperament.between(1.5)
