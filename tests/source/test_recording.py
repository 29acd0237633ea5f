import struct
import subprocess
import tempfile
import time
import wave
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.source.block import Block, Source
from bridge.source.faults import SourceLostError
from bridge.source.recording import Recording
from tests.source import sound_files
from tests.source.contract import SourceContract, next_block

EPOCH_NS = 1_795_000_000 * 10**9
FRAMES = 30_000


def write(kind: str, folder: Path, channels: int = 8, rate_hz: int = 48_000) -> Path:
    makers: dict[str, Callable[[], Path]] = {
        "wav": lambda: sound_files.wav(folder / "a.wav", FRAMES, channels, rate_hz),
        "float": lambda: sound_files.float_wav(folder / "a.wav", FRAMES, channels, rate_hz),
        "rf64": lambda: sound_files.rf64(folder / "a.wav", FRAMES, channels, rate_hz),
        "24 bit": lambda: sound_files.converted(write("wav", folder, channels, rate_hz), folder / "b.wav", "-b", "24"),
        "flac": lambda: sound_files.converted(write("wav", folder, channels, rate_hz), folder / "b.flac"),
    }
    return makers[kind]()


def blocks_of(source: Source) -> list[Block]:
    found = []
    source.start()
    try:
        while True:
            found.append(next_block(source))
    except EOFError:
        return found
    finally:
        source.stop()


@pytest.mark.parametrize("kind", ["wav", "float", "24 bit", "rf64", "flac"])
class TestRecording(SourceContract):
    @pytest.fixture
    def source(self, kind: str, tmp_path: Path) -> Source:
        return Recording(write(kind, tmp_path), (1, 2, 8), 512, realtime=False, epoch_ns=EPOCH_NS)


class TestRecordingInRealTime(SourceContract):
    BLOCKS = 10

    @pytest.fixture
    def source(self, tmp_path: Path) -> Source:
        return Recording(write("wav", tmp_path), tuple(range(1, 9)), 512, realtime=True, epoch_ns=EPOCH_NS)


@pytest.mark.parametrize("kind", ["wav", "float", "24 bit", "rf64", "flac"])
@pytest.mark.parametrize("block_frames", [16, 500, 512, 20_000])
def test_every_sample_arrives_in_its_place(kind: str, block_frames: int, tmp_path: Path) -> None:
    inputs = (7, 1, 2, 5)
    blocks = blocks_of(Recording(write(kind, tmp_path), inputs, block_frames, realtime=False, epoch_ns=0))
    assert [block.first_frame for block in blocks] == list(range(0, FRAMES, block_frames))
    assert all(len(block.samples) == block_frames for block in blocks[:-1])
    samples = np.concatenate([block.samples for block in blocks]) * sound_files.FULL_SCALE
    assert np.array_equal(samples, sound_files.numbers(FRAMES, 8)[:, [6, 0, 1, 4]])


def test_24_channels_in_order(tmp_path: Path) -> None:
    blocks = blocks_of(Recording(write("rf64", tmp_path, 24, 96_000), tuple(range(1, 25)), 512, False, 0))
    samples = np.concatenate([block.samples for block in blocks]) * sound_files.FULL_SCALE
    assert np.array_equal(samples, sound_files.numbers(FRAMES, 24))


@given(seed=st.integers(0, 2**32), block_frames=st.integers(16, 2000))
@settings(max_examples=30, deadline=None)
def test_words_of_24_bits_are_exact(seed: int, block_frames: int) -> None:
    """Full scale is 2^23: the most negative word is −1.0 (two's complement, as in the WAVE PCM format)."""
    random = np.random.default_rng(seed)
    words = random.integers(-(2**23), 2**23, (5000, 3), dtype=np.int32)
    words[:4, 0] = -(2**23), 2**23 - 1, -1, 1
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.wav"
        with wave.open(str(path), "wb") as file:
            file.setnchannels(3)
            file.setsampwidth(3)
            file.setframerate(48_000)
            file.writeframes(words.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes())
        blocks = blocks_of(Recording(path, (1, 2, 3), block_frames, False, 0))
    assert np.array_equal(np.concatenate([block.samples for block in blocks]), words / 2.0**23)


@pytest.mark.parametrize("rate_hz", [44_100, 88_200, 192_000])
def test_capture_time_is_the_epoch_plus_the_position(rate_hz: int, tmp_path: Path) -> None:
    source = Recording(write("wav", tmp_path, rate_hz=rate_hz), (1,), 512, realtime=False, epoch_ns=EPOCH_NS)
    assert source.sample_rate_hz == rate_hz
    for block in blocks_of(source):
        assert block.captured_ns == EPOCH_NS + block.end_frame * 10**9 // rate_hz


def test_real_time_delivers_no_block_before_its_time(tmp_path: Path) -> None:
    source = Recording(write("wav", tmp_path), (1,), 4800, realtime=True, epoch_ns=EPOCH_NS)
    began_s = time.monotonic()
    arrived_s = []
    source.start()
    assert source.read(0.0) is None
    for _ in range(4):
        block = next_block(source)
        arrived_s.append((time.monotonic() - began_s, block.end_frame / 48_000))
    source.stop()
    assert all(arrived >= due for arrived, due in arrived_s)
    assert all(later > earlier for (earlier, _), (later, _) in pairwise(arrived_s))


def refused(path: Path, inputs: tuple[int, ...] = (1,)) -> str:
    with pytest.raises(SourceLostError) as caught:
        Recording(path, inputs, 512, realtime=False, epoch_ns=0)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith(f"{path}: ")
    return message.removeprefix(f"{path}: ")


def test_a_missing_file(tmp_path: Path) -> None:
    assert refused(tmp_path / "nowhere.wav") == "there is no such file"


def test_a_folder(tmp_path: Path) -> None:
    assert refused(tmp_path) == "this is a folder, not a recording"


@pytest.mark.parametrize("name", ["notes.txt", "notes.wav", "notes.raw", "notes.flac"])
@pytest.mark.parametrize("content", [b"", b"These are no samples.\n" * 100, b"RIFF\x10\x00\x00\x00WAVE", b"fLaC"])
def test_a_file_that_is_no_recording(name: str, content: bytes, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    assert refused(path).startswith("this is no recording that can be read: ")


def test_a_format_that_loses_levels(tmp_path: Path) -> None:
    path = sound_files.converted(write("wav", tmp_path, 2), tmp_path / "a.ogg")
    assert refused(path) == "OGG does not keep levels; use WAV, RF64 or FLAC"


def test_too_few_channels(tmp_path: Path) -> None:
    assert refused(write("wav", tmp_path), (1, 9)) == "input 9 is asked for, but the recording has 8 channels"
    mono = sound_files.wav(tmp_path / "mono.wav", 100, 1, 48_000)
    assert refused(mono, (2,)) == "input 2 is asked for, but the recording has 1 channel"


@pytest.mark.parametrize("rate_hz", [8_000, 32_000, 44_099, 192_001, 384_000])
def test_a_sample_rate_out_of_range(rate_hz: int, tmp_path: Path) -> None:
    path = sound_files.wav(tmp_path / "a.wav", 100, 1, rate_hz)
    assert refused(path) == f"{rate_hz} Hz is outside 44100 to 192000 Hz"


@pytest.mark.parametrize(("kind", "sample_bytes"), [("wav", 2), ("24 bit", 3), ("float", 4)])
@pytest.mark.parametrize("lost_bytes", [96, 1001, 100_000])
def test_a_file_that_is_cut_short_ends_where_its_last_whole_frame_ends(
    kind: str, sample_bytes: int, lost_bytes: int, tmp_path: Path
) -> None:
    path = write(kind, tmp_path)
    path.write_bytes(path.read_bytes()[:-lost_bytes])
    blocks = blocks_of(Recording(path, (1, 8), 512, realtime=False, epoch_ns=0))
    frames = FRAMES - -(-lost_bytes // (8 * sample_bytes))
    assert blocks[-1].end_frame == frames
    samples = np.concatenate([block.samples for block in blocks]) * sound_files.FULL_SCALE
    assert np.array_equal(samples, sound_files.numbers(FRAMES, 8)[:frames, [0, 7]])


def test_a_damaged_flac_is_lost_with_a_reason(tmp_path: Path) -> None:
    path = write("flac", tmp_path)
    content = bytearray(path.read_bytes())
    content[len(content) // 2 :] = b"\0" * (len(content) - len(content) // 2)
    path.write_bytes(content)
    source = Recording(path, (1,), 512, realtime=False, epoch_ns=0)
    # libsndfile either says so or ends early; what may not happen is a full length of invented samples.
    try:
        blocks = blocks_of(source)
    except SourceLostError as error:
        assert "\n" not in str(error)
    else:
        assert blocks[-1].end_frame < FRAMES


def test_a_file_that_vanishes_between_check_and_start(tmp_path: Path) -> None:
    path = write("wav", tmp_path)
    source = Recording(path, (1,), 512, realtime=False, epoch_ns=0)
    path.unlink()
    with pytest.raises(SourceLostError, match="there is no such file"):
        blocks_of(source)


@pytest.mark.parametrize("what", [np.nan, np.inf, -np.inf, 1e20, -3e38])
def test_a_sample_that_is_no_sound(what: float, tmp_path: Path) -> None:
    samples = np.zeros((48_000, 2), np.float32)
    samples[24_000, 1] = what
    scipy.io.wavfile.write(tmp_path / "a.wav", 48_000, samples)
    source = Recording(tmp_path / "a.wav", (1,), 512, realtime=False, epoch_ns=0)
    with pytest.raises(SourceLostError, match=r"the sample at 0\.500 s is no number"):
        blocks_of(source)


def test_an_empty_recording_ends_at_once(tmp_path: Path) -> None:
    assert blocks_of(Recording(sound_files.wav(tmp_path / "a.wav", 0, 1, 48_000), (1,), 512, False, 0)) == []


def test_a_tone_by_sox_has_its_level(tmp_path: Path) -> None:
    """Sox's -18 dB of gain on its full-scale sine is −18 dBFS (AES17: a full-scale sine is 0 dBFS)."""
    path = tmp_path / "tone.wav"
    words = ["sox", "-n", "-r", "96000", "-b", "24", "-c", "2", str(path)]
    subprocess.run([*words, "synth", "1", "sine", "1000", "gain", "-18"], check=True, timeout=60)
    samples = np.concatenate([block.samples for block in blocks_of(Recording(path, (2,), 512, False, 0))])
    rms = np.sqrt(np.mean(samples[:, 0].astype(float) ** 2))
    assert 20 * np.log10(rms * np.sqrt(2)) == pytest.approx(-18.0, abs=0.001)


def test_a_compressed_word_inside_a_wav_header_is_read_or_refused_in_one_line(tmp_path: Path) -> None:
    """A WAV with an unknown format tag (RIFF leaves 16 bits for it)."""
    path = tmp_path / "odd.wav"
    form = struct.pack("<HHIIHH", 0x7777, 1, 48_000, 48_000, 1, 8)
    body = b"WAVEfmt " + struct.pack("<I", len(form)) + form + b"data" + struct.pack("<I", 100) + b"\0" * 100
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    assert refused(path).startswith("this is no recording that can be read: ")
