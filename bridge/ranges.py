"""Numbers of tracks and inputs for people: rising numbers in, ``1-8, 12`` out."""

from collections.abc import Sequence


def ranges(numbers: Sequence[int]) -> str:
    """Return rising numbers as a few words: ``1-8, 12``."""
    stretches: list[list[int]] = []
    for number in numbers:
        if stretches and number == stretches[-1][1] + 1:
            stretches[-1][1] = number
        else:
            stretches.append([number, number])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in stretches)


def tracks_named(tracks: Sequence[int]) -> str:
    """Return what rising numbers of tracks are called: ``track 3``, ``tracks 1-8, 12``."""
    return f"track{'' if len(tracks) == 1 else 's'} {ranges(tracks)}"
