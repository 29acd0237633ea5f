"""Tracks and inputs as people write them: the tables ``inputs`` and ``offsets_db`` in, pairs of numbers out."""

import math
import re
from collections.abc import Iterator
from typing import Final

from bridge.config.faults import Finding, shown
from bridge.config.positions import Path
from bridge.config.settings import MOST_TRACKS
from bridge.source.channels import MAX_INPUT_NUMBER

Pairs = tuple[tuple[int, int], ...]

INPUTS: Final = ("audio", "inputs")
OFFSETS: Final = ("audio", "offsets_db")
_FORM: Final = re.compile(r"\s*([0-9]{1,4})\s*(?:-\s*([0-9]{1,4})\s*)?", re.ASCII)
_LARGEST_OFFSET_DB: Final = 60.0


def banks(value: object, tracks: int | None, findings: list[Finding]) -> tuple[Pairs, ...]:
    """Return the banks that ``inputs`` means: for each, pairs of (track, input) in track order.

    Parameters
    ----------
    value : object
        What the config says: a table, or a list of tables, one a bank.
    tracks : int or None
        Tracks of the machine; None when that itself is wrong, and then it is not checked against.
    findings : list
        What is wrong is added here.
    """
    if isinstance(value, list | tuple):
        if not value:
            findings.append(Finding(INPUTS, "an empty list patches nothing", "leave the key out, or name a bank"))
        return tuple(
            pairs
            for index, table in enumerate(value)
            if (pairs := _bank((*INPUTS, index), table, tracks, findings)) is not None
        )
    pairs = _bank(INPUTS, value, tracks, findings)
    return () if pairs is None else (pairs,)


def offsets(value: object, findings: list[Finding]) -> tuple[tuple[int, float], ...]:
    """Return the pairs of (input, offset in dB) that ``offsets_db`` means; what is wrong is added to ``findings``."""
    if not isinstance(value, dict):
        findings.append(Finding(OFFSETS, "must be a table of inputs and offsets such as { 3 = 0.12 }"))
        return ()
    out: dict[int, float] = {}
    for name, offset in value.items():
        path = (*OFFSETS, name)
        numbers = _numbers(name)
        if numbers is None or len(numbers) != 1 or not 1 <= numbers[0] <= MAX_INPUT_NUMBER:
            findings.append(Finding(path, f"an input is one number from 1 to {MAX_INPUT_NUMBER}"))
        elif not _is_number(offset) or not abs(offset) <= _LARGEST_OFFSET_DB:
            findings.append(Finding(path, "must be a number from -60 to 60 dB"))
        elif numbers[0] in out:
            findings.append(Finding(path, f"input {numbers[0]} has an offset already"))
        else:
            out[numbers[0]] = float(offset)
    return tuple(sorted(out.items()))


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and not math.isnan(value)


def _bank(path: Path, table: object, tracks: int | None, findings: list[Finding]) -> Pairs | None:
    if not isinstance(table, dict):
        findings.append(Finding(path, 'must be a table of tracks and inputs such as { "1-8" = "1-8" }'))
        return None
    if not table:
        findings.append(Finding(path, "an empty table patches nothing", "leave the key out"))
        return None
    patched: dict[int, int] = {}
    for name, value in table.items():
        for track, number in _patch((*path, name), name, value, tracks, findings):
            if track in patched:
                findings.append(Finding((*path, name), f"track {track} is patched twice in this bank"))
            elif number in patched.values():
                other = next(known for known, of in patched.items() if of == number)
                findings.append(Finding((*path, name), f"input {number} is already track {other} in this bank"))
            else:
                patched[track] = number
    return tuple(sorted(patched.items()))


def _patch(
    path: Path, name: str, value: object, tracks: int | None, findings: list[Finding]
) -> Iterator[tuple[int, int]]:
    """Yield the pairs of one entry; nothing when it is wrong."""
    left, right = _numbers(name), _numbers(value)
    if left is None:
        findings.append(Finding(path, "the track must be a number or a rising range such as 1-8"))
    if right is None:
        findings.append(Finding(path, 'the input must be a number or a rising range such as "1-8"'))
    if left is None or right is None:
        return
    last = MOST_TRACKS if tracks is None else tracks
    if left[0] < 1 or left[-1] > last:
        beyond = left[-1] if left[-1] > last else left[0]
        findings.append(
            Finding(path, f"track {beyond} is not on the machine: it has tracks 1 to {last}")
            if tracks is not None
            else Finding(path, f"track {beyond} is not possible: tracks are 1 to {last}")
        )
    elif right[0] < 1 or right[-1] > MAX_INPUT_NUMBER:
        beyond = right[-1] if right[-1] > MAX_INPUT_NUMBER else right[0]
        findings.append(Finding(path, f"input {beyond} is not possible: inputs are 1 to {MAX_INPUT_NUMBER}"))
    elif len(left) != len(right):
        suggestion = f"write {shown(_range(right[0], len(left)))}"
        findings.append(Finding(path, f"{_count(left, 'track')} cannot take {_count(right, 'input')}", suggestion))
    else:
        yield from zip(left, right, strict=True)


def _numbers(value: object) -> range | None:
    """Return the numbers that a range, a number or a number in quotes means; None when it means none."""
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return range(value, value + 1)
    found = _FORM.fullmatch(value) if isinstance(value, str) else None
    if not found:
        return None
    first = int(found[1])
    last = int(found[2] or first)
    return range(first, last + 1) if first <= last else None


def _range(first: int, count: int) -> str:
    return f"{first}-{first + count - 1}" if count > 1 else f"{first}"


def _count(numbers: range, thing: str) -> str:
    return f"{len(numbers)} {thing}{'' if len(numbers) == 1 else 's'}"
