import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.source.channels import channels_to_open, checked_inputs, picked, spoken

INPUTS = st.lists(st.integers(1, 64), min_size=1, max_size=64, unique=True)


@given(INPUTS, st.integers(0, 20))
def test_column_k_is_input_k(inputs: list[int], frames: int) -> None:
    channels = channels_to_open(inputs)
    # The sample itself says where it comes from: hundreds are the frame, units the input.
    samples = (100 * np.arange(frames)[:, None] + np.arange(1, channels + 1)).astype(np.float32)
    columns = picked(samples, inputs)
    assert columns.flags.c_contiguous
    assert columns.dtype == np.float32
    assert columns.shape == (frames, len(inputs))
    assert not np.shares_memory(columns, samples)
    for frame in range(frames):
        assert [int(value) - 100 * frame for value in columns[frame]] == inputs


@pytest.mark.parametrize(
    ("inputs", "words"),
    [
        ((3,), "input 3"),
        (range(1, 9), "inputs 1-8"),
        ((1, 2, 3, 8, 12, 13), "inputs 1-3, 8, 12-13"),
        ((2, 1), "inputs 2, 1"),
    ],
)
def test_inputs_in_words(inputs: tuple[int, ...], words: str) -> None:
    assert spoken(inputs) == words


@pytest.mark.parametrize(
    ("inputs", "message"),
    [
        ((), "0 inputs are asked for; 1 to 64"),
        (range(1, 66), "65 inputs are asked for"),
        ((0, 1), "input 0 does not exist"),
        ((1, -3), "input -3 does not exist"),
        ((1025,), "input 1025 does not exist"),
        ((4, 5, 4), "input 4 is asked for twice"),
    ],
)
def test_inputs_that_cannot_be(inputs: tuple[int, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        checked_inputs(inputs)
