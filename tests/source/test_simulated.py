"""The simulated recorder as a source: the contract, its clock, its patch and its commands."""

import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from bridge.daemon.practice import practise
from bridge.procedure.commands import PlayForeignTone, PlayTone
from bridge.simulation.condition import Condition
from bridge.source.block import Block, Source
from bridge.source.simulated import Simulated, practice_recorders
from bridge.source.voices import voices
from bridge.tape.calibration_tape import CalibrationTape, Tone
from bridge.tape.equalization import Equalization
from bridge.tape.machine import Machine, Speed
from tests.source.contract import SourceContract

RATE_HZ = 48_000
CURVE = Equalization("iec1", 35.0, 0.0)
MACHINE = Machine("Invented eight-track", 8, 320.0, 1.78, 3.3, (Speed(15.0, CURVE),))
TONES = (Tone(1000.0, 0.0, 6.0), Tone(10_000.0, 0.0, 6.0))
TAPE = CalibrationTape(320.0, 15.0, CURVE, TONES, fringing_compensated=True)


def made(condition: Condition | None = None, **arguments: object) -> Simulated:
    (recorder,) = practice_recorders(
        MACHINE, (TAPE,), sample_rate_hz=RATE_HZ, reference_dbfs=-18.0, seed=5, condition=condition or Condition()
    )
    return Simulated(recorder, **{"real_time": False, **arguments})  # type: ignore[arg-type]


def read_to(source: Simulated, end_s: float) -> list[Block]:
    blocks: list[Block] = []
    while not blocks or blocks[-1].end_frame < end_s * RATE_HZ:
        block = source.read(1.0)
        assert block is not None
        blocks.append(block)
    return blocks


def level_db(samples: np.ndarray) -> np.ndarray:
    return 10.0 * np.log10(2.0 * np.mean(samples.astype(np.float64) ** 2, axis=0) + 1e-30)


@pytest.fixture
def perfect() -> Iterator[Simulated]:
    source = made(Condition.perfect())
    source.start()
    yield source
    source.stop()


class TestFinite(SourceContract):
    @pytest.fixture
    def source(self) -> Source:
        return made(seconds=20.25 * 512 / RATE_HZ)


class TestInRealTime(SourceContract):
    ENDS = False

    @pytest.fixture
    def source(self) -> Source:
        return made(real_time=True)


def test_a_block_is_not_delivered_before_it_is_due() -> None:
    source = made(real_time=True, block_frames=RATE_HZ * 60)
    source.start()
    assert source.read(0.01) is None
    source.stop()


def test_a_reader_far_behind_loses_samples_and_they_are_counted() -> None:
    source = made(real_time=True, block_frames=16)
    source.start()
    # As if the computer had slept for a minute.
    source._started_s -= 60.0
    block = source.read(1.0)
    assert block is not None
    assert source.losses.overruns == 1
    assert block.first_frame == source.losses.frames
    assert source.losses.frames > 55 * RATE_HZ
    source.stop()


def test_aligned_tracks_read_the_reference_level_on_every_input(perfect: Simulated) -> None:
    samples = np.concatenate([block.samples for block in read_to(perfect, 10.0)])
    # Leader 2 s, announcement at most 2 s, pause 1.5 s; by 6 s the first tone plays, and for 3 s more.
    assert level_db(samples[6 * RATE_HZ : 8 * RATE_HZ]) == pytest.approx(np.full(8, -18.0), abs=0.01)


def test_tracks_come_out_where_they_are_patched() -> None:
    straight, crossed = made(), made(patch=((1, 12), (8, 3)), inputs=(3, 4, 12))
    for source in (straight, crossed):
        source.start()
    assert crossed.inputs == (3, 4, 12)
    for one, other in zip(read_to(straight, 6.5), read_to(crossed, 6.5), strict=True):
        assert np.array_equal(other.samples[:, 0], one.samples[:, 7])
        assert np.array_equal(other.samples[:, 2], one.samples[:, 0])
        assert not other.samples[:, 1].any()
    crossed.patch(((2, 12),))
    one, other = straight.read(1.0), crossed.read(1.0)
    assert one is not None
    assert other is not None
    assert np.array_equal(other.samples[:, 2], one.samples[:, 1])
    assert not other.samples[:, 0].any()
    for source in (straight, crossed):
        source.stop()


def test_a_turn_from_another_thread_moves_one_track(perfect: Simulated) -> None:
    read_to(perfect, 7.0)
    before = level_db(np.concatenate([block.samples for block in read_to(perfect, 7.5)]))

    def turn() -> None:
        for _ in range(10):
            perfect.turn(3, "repro level", 0.01)

    thread = threading.Thread(target=turn)
    thread.start()
    thread.join()
    read_to(perfect, 7.8)
    after = level_db(np.concatenate([block.samples for block in read_to(perfect, 8.3)]))
    moved = np.abs(after - before) > 0.005
    assert moved.tolist() == [False, False, True, False, False, False, False, False]
    assert 1.0 < after[2] - before[2] < 2.5


@pytest.mark.parametrize(
    ("track", "adjustment", "delta", "said"),
    [
        (9, "repro level", 0.1, "track 9 is not on the machine: it has tracks 1 to 8"),
        (0, "repro level", 0.1, "track 0 is not on the machine"),
        (1, "bias", 0.1, '"bias" has no trimmer here'),
        (1, "repro level", float("nan"), "a turn must be from -1 to 1"),
        (1, "repro level", 1.5, "a turn must be from -1 to 1"),
    ],
)
def test_a_turn_that_cannot_be_is_refused(track: int, adjustment: str, delta: float, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        made().turn(track, adjustment, delta)  # type: ignore[arg-type]


def test_transport_commands_change_what_is_heard(perfect: Simulated) -> None:
    def peak_hz(seconds: float) -> float:
        start_s = read_to(perfect, 0.0)[0].end_frame / RATE_HZ
        samples = np.concatenate([block.samples for block in read_to(perfect, start_s + seconds)])[:, 0]
        if np.abs(samples).max() < 1e-4:
            return 0.0
        return float(np.argmax(np.abs(np.fft.rfft(samples))) * RATE_HZ / samples.size)

    read_to(perfect, 7.0)
    assert peak_hz(0.5) == pytest.approx(1000.0, abs=3.0)
    perfect.tape_stop()
    read_to(perfect, 0.0)
    assert peak_hz(0.3) == 0.0
    perfect.tape_to_tone(10_000.0)
    read_to(perfect, 14.0)
    assert peak_hz(0.5) == pytest.approx(10_000.0, abs=3.0)
    perfect.select_path("input")
    read_to(perfect, 0.0)
    assert peak_hz(0.1) == 0.0
    perfect.select_path("sync")
    read_to(perfect, 0.0)
    assert peak_hz(0.1) == pytest.approx(10_000.0, abs=20.0)


def test_the_playback_level_moves_all_tracks(perfect: Simulated) -> None:
    read_to(perfect, 6.5)
    perfect.set_playback(-2.0)
    read_to(perfect, 7.0)
    samples = np.concatenate([block.samples for block in read_to(perfect, 7.5)])
    assert level_db(samples) == pytest.approx(np.full(8, -20.0), abs=0.01)


def test_the_tape_is_rewound_when_it_has_run_out() -> None:
    source = made(Condition.perfect())
    source.start()
    heard = np.array([np.abs(block.samples).max() for block in read_to(source, 60.0)])
    length_s = source._recorder.content.length_s
    assert length_s < 30.0
    second = heard[int((length_s + 6.5) * RATE_HZ / 512) : int((length_s + 8.0) * RATE_HZ / 512)]
    # The first tone again: a sine at -18 dBFS has a peak of 0.1259 (EBU R68).
    assert second == pytest.approx(np.full(second.size, 0.1259), abs=0.001)
    source.stop()


def test_spoken_words_are_read_and_scaled(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    soundfile.write(tmp_path / "Front_Left.wav", 0.1 * rng.standard_normal((4800, 1)), 48_000)
    (sound,) = voices(tmp_path)
    assert sound.seconds == pytest.approx(0.1)
    # 0 dBFS by AES17-2015, 3.12.1: the rms of a full-scale sine.
    assert np.sqrt(np.mean(sound.samples**2)) == pytest.approx(1.0 / np.sqrt(2.0), rel=1e-5)
    assert voices(tmp_path / "nothing here") == ()


def test_where_the_trimmers_stand_is_told_as_they_are_turned(perfect: Simulated) -> None:
    perfect.start()
    before = perfect.trimmers("repro level", (1, 2))
    other = perfect.trimmers("repro high", (1, 2))
    perfect.turn(2, "repro level", 0.1)
    for _ in range(200):
        perfect.read(1.0)
    after = perfect.trimmers("repro level", (1, 2))
    assert after[0] == before[0]
    assert after[1] == pytest.approx(before[1] + 0.1, abs=1e-9)
    assert perfect.trimmers("repro high", (1, 2)) == other
    assert perfect.trimmers("bias", (1, 2)) == ()


FAST_CURVE = Equalization("iec2", 17.5, 0.0)
BOTH = Machine("Invented eight-track", 8, 320.0, 1.78, 3.3, (Speed(15.0, CURVE), Speed(30.0, FAST_CURVE)))
FAST_TAPE = CalibrationTape(250.0, 30.0, FAST_CURVE, (Tone(1000.0, 0.0, 6.0),), fringing_compensated=True)
TONES_APART = CalibrationTape(320.0, 15.0, CURVE, (Tone(10_000.0, -10.0, 20.0),), fringing_compensated=True)


def with_tapes(*tapes: CalibrationTape, condition: Condition | None = None) -> Simulated:
    recorders = practice_recorders(
        BOTH, tapes, sample_rate_hz=RATE_HZ, reference_dbfs=-18.0, seed=5, condition=condition
    )
    source = Simulated(*recorders, real_time=False)
    source.start()
    return source


def tone_db(source: Simulated, hz: float) -> np.ndarray:
    """Level of each track while the tone plays, dBFS."""
    source.tape_to_tone(hz)
    at_s = read_to(source, 0.1)[-1].end_frame / RATE_HZ
    blocks = read_to(source, at_s + 6.5)
    return level_db(np.concatenate([block.samples for block in blocks])[-RATE_HZ:])


def test_the_tape_of_the_step_plays_at_its_speed() -> None:
    source = with_tapes(TAPE, FAST_TAPE, condition=Condition.perfect())
    assert "at 15 and 30 in/s" in source.description
    # A perfect machine of 320 nWb/m reads 0 VU of a tape of 320, and 20 lg(250/320) of one of 250; 0 VU is -18 dBFS.
    assert tone_db(source, 1000.0) == pytest.approx(np.full(8, -18.0), abs=0.02)
    source.thread(30.0, 1000.0)
    assert tone_db(source, 1000.0) == pytest.approx(np.full(8, -18.0 - 2.144), abs=0.02)
    source.thread(15.0, 1000.0)
    assert tone_db(source, 1000.0) == pytest.approx(np.full(8, -18.0), abs=0.02)
    source.stop()


def test_each_speed_has_trimmers_of_its_own() -> None:
    source = with_tapes(TAPE, FAST_TAPE)
    slow = source.trimmers("repro level", range(1, 9))
    source.thread(30.0, 1000.0)
    fast = source.trimmers("repro level", range(1, 9))
    assert not set(slow) & set(fast)
    source.turn(3, "repro level", 0.2)
    read_to(source, 1.0)
    turned = source.trimmers("repro level", range(1, 9))
    assert turned[2] == pytest.approx(fast[2] + 0.2, abs=1e-9)
    source.thread(15.0, 1000.0)
    assert source.trimmers("repro level", range(1, 9)) == slow
    source.stop()


def test_two_tapes_of_one_speed_are_played_on_the_same_machine() -> None:
    source = with_tapes(TAPE, TONES_APART)
    source.turn(3, "repro level", 0.2)
    read_to(source, 1.0)
    before = source.trimmers("repro level", range(1, 9))
    source.thread(15.0, 10_000.0, -10.0)
    assert source.trimmers("repro level", range(1, 9)) == before
    source.stop()


def heard_hz(source: Simulated) -> float:
    """Frequency of track 1 over a second, by its spectrum: to 1 Hz."""
    begun_s = read_to(source, 0.1)[-1].end_frame / RATE_HZ
    blocks = read_to(source, begun_s + 8.0)
    samples = np.concatenate([block.samples[:, 0] for block in blocks])[-RATE_HZ:]
    return float(np.argmax(np.abs(np.fft.rfft(samples * np.hanning(len(samples))))))


def test_tones_are_asked_for_as_they_are_heard_where_the_tape_runs_faster_than_it_was_made_for() -> None:
    """At twice its speed a tape is heard an octave higher."""
    tones = (Tone(1000.0, 0.0, 40.0), Tone(5000.0, 0.0, 40.0))
    tape = CalibrationTape(320.0, 7.5, Equalization("iec1", 70.0, 0.0), tones, fringing_compensated=True)
    machine = Machine("Invented eight-track", 8, 320.0, 1.78, 3.3, (Speed(15.0, CURVE),))
    (recorder,) = practice_recorders(
        machine, (tape,), sample_rate_hz=RATE_HZ, reference_dbfs=-18.0, seed=5, condition=Condition.perfect()
    )
    source = Simulated(recorder, real_time=False)
    source.start()
    assert source.tones_hz == (2000.0, 10_000.0)
    assert practise(source, PlayTone(10_000.0)) is None
    assert heard_hz(source) == pytest.approx(10_000.0, abs=1.0)
    assert practise(source, PlayTone(1000.0)) == "the tape has no tone of 1000 Hz"
    assert practise(source, PlayForeignTone(2000.0)) == "2000 Hz is a tone of the tape: /practice/tone winds to it"
    for hz in (3150.0, 1000.0):
        assert practise(source, PlayForeignTone(hz)) is None
        assert heard_hz(source) == pytest.approx(hz, abs=1.0)
    assert practise(source, PlayTone(2000.0)) is None
    assert heard_hz(source) == pytest.approx(2000.0, abs=1.0)
    source.stop()


def test_another_tape_is_heard_on_the_path_that_is_switched() -> None:
    source = with_tapes(TAPE, FAST_TAPE, condition=Condition.perfect())
    source.select_path("input")
    source.thread(30.0, 1000.0)
    assert tone_db(source, 1000.0).max() < -90.0
    source.select_path("sync")
    assert tone_db(source, 1000.0).min() > -40.0
    source.stop()
