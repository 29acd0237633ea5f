"""The one error of the tape arithmetic: in goes a key and what is wrong with it, out comes a line that names it."""

import math


class TapeError(ValueError):
    """A machine, a tape and a step that do not go together, or a number that no machine can have.

    Parameters
    ----------
    key : str
        The key of the config, or the parameter, that is wrong: ``machine.track_width_mm``.
    problem : str
        What is wrong with it and what would be right.
    """

    def __init__(self, key: str, problem: str) -> None:
        super().__init__(f"{key}: {problem}")
        self.key = key
        self.problem = problem


def require_positive(key: str, value: float) -> None:
    """Raise `TapeError` unless ``value`` is a finite number above 0."""
    if not (math.isfinite(value) and value > 0.0):
        raise TapeError(key, f"{value:g} must be a number above 0")


def require_not_negative(key: str, value: float) -> None:
    """Raise `TapeError` unless ``value`` is a finite number, 0 or above."""
    if not (math.isfinite(value) and value >= 0.0):
        raise TapeError(key, f"{value:g} must be 0 or a number above 0")


def require_finite(key: str, value: float) -> None:
    """Raise `TapeError` unless ``value`` is a finite number."""
    if not math.isfinite(value):
        raise TapeError(key, f"{value:g} must be a finite number")
