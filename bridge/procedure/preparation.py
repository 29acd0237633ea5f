"""Preparation: what a person confirms before the first tone and after the last, and the cautions that go with it.

In come the confirmations so far; out come what is still to be confirmed, and why a confirmation must wait. The order
matters where it can cost the calibration tape: it is threaded only on a clean, demagnetised path with every track safe.
What is asked is common practice, no source.
"""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final, Literal

When = Literal["before the first tone", "after the last tone"]


@dataclass(frozen=True, slots=True)
class Confirmation:
    """A person has confirmed an item; ``confirmed_ns`` is the Unix time in nanoseconds."""

    item: str
    who: str
    confirmed_ns: int


@dataclass(frozen=True, slots=True)
class PreparationItem:
    """One thing to confirm.

    ``needs`` names the items that must have been confirmed before; ``cautions`` the cautions to show with it.
    """

    key: str
    question: str
    why: str
    when: When
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: ``lines`` are shown as they stand; ``source`` says where they come from."""

    key: str
    title: str
    lines: tuple[str, ...]
    source: str


PREPARATION: Final[tuple[PreparationItem, ...]] = (
    PreparationItem(
        "monitors down",
        "Are the monitors and headphones turned down?",
        "Test tones are loud, and high ones damage tweeters before anybody notices.",
        "before the first tone",
        cautions=("loud tones",),
    ),
    PreparationItem(
        "heads cleaned",
        "Are the heads and the whole tape path clean and dry?",
        "A little dirt between tape and head costs several decibels at high tones, and would be trimmed away.",
        "before the first tone",
        cautions=("solvent", "live parts"),
    ),
    PreparationItem(
        "heads demagnetised",
        "Are the heads and guides demagnetised, with the machine off and every tape far away?",
        "A magnetised head or guide erases the high tones of the calibration tape, a little with every pass, for good.",
        "before the first tone",
        needs=("heads cleaned",),
        cautions=("demagnetiser",),
    ),
    PreparationItem(
        "tracks safe",
        "Is every track safe from recording?",
        "One track in record erases the calibration tape.",
        "before the first tone",
        cautions=("calibration tape",),
    ),
    PreparationItem(
        "tape threaded",
        "Is the calibration tape threaded?",
        "It comes last: only a clean, demagnetised machine with every track safe may touch it.",
        "before the first tone",
        needs=("monitors down", "heads cleaned", "heads demagnetised", "tracks safe"),
        cautions=("calibration tape",),
    ),
    PreparationItem(
        "tape stored",
        "Is the calibration tape off the machine, wound at playing speed and stored tails out?",
        "A smooth, slow wind keeps its edges; stored tails out, print-through falls behind the sound that made it.",
        "after the last tone",
        needs=("tape threaded",),
    ),
)

CAUTIONS: Final[tuple[Caution, ...]] = (
    Caution(
        "calibration tape",
        "The calibration tape",
        (
            "Never record on it: disable recording on every track before it is threaded, and take it off before any"
            " track is made ready.",
            "Keep it away from demagnetisers, loudspeakers and motors.",
            "Play it from end to end, do not spool it fast, and store it tails out.",
        ),
        "common practice, no source",
    ),
    Caution(
        "solvent",
        "Isopropyl alcohol (CAS 67-63-0)",
        (
            "Danger. Highly flammable liquid and vapour (H225), causes serious eye irritation (H319), may cause"
            " drowsiness or dizziness (H336).",
            "Machine off. Keep away from heat, sparks and flames (P210); ventilate, do not breathe the vapour (P261).",
            "In the eyes: rinse with water for minutes, take out contact lenses, go on rinsing (P305+P351+P338).",
            "Use 90 % or more, on a lint-free swab wetted away from the machine; nothing may drip. Rubber parts by the"
            " instructions of their maker. Let it dry before power or tape comes on.",
        ),
        "hazard and precaution codes of the GHS classification; the way of cleaning is common practice, no source",
    ),
    Caution(
        "demagnetiser",
        "Demagnetisers",
        (
            "Keep away with a pacemaker, an implanted defibrillator or pump: a demagnetiser can exceed the 0.5 mT (5 G)"
            " up to which such devices are in general not affected.",
            "Keep every tape and magnetic card away, above all the calibration tape.",
            "Machine off. Switch on and off at arm's length, come close and leave slowly, never switch near a head.",
        ),
        "ICNIRP guideline on static fields; Prudent Practices in the Laboratory, table 7.1; handling from memory",
    ),
    Caution(
        "live parts",
        "Work under covers",
        (
            "Adjustments under covers only by qualified service personnel: there safety rests on training, not on the"
            " safeguards of the machine (a skilled person in the words of IEC 62368-1).",
            "Follow the maker's manual and the rules of your country.",
        ),
        "IEC 62368-1",
    ),
    Caution(
        "loud tones",
        "Loud test tones",
        (
            "Mute or dim the monitors before a tone, start low. The ear underrates high tones; tweeters do not.",
            "Recommended limits: 85 dB(A) for 8 hours, and half the time for every 3 dB more: 94 dB(A) for an hour,"
            " 100 dB(A) for 15 minutes.",
            "Follow the rules on noise of your country.",
        ),
        "NIOSH recommended exposure limit; damage to tweeters is common practice, no source",
    ),
)


def outstanding(confirmed: Collection[str], when: When) -> tuple[PreparationItem, ...]:
    """Return what is still to be confirmed, in order.

    Parameters
    ----------
    confirmed : collection of str
        Keys of the items confirmed so far.
    when : {"before the first tone", "after the last tone"}
        Which part.
    """
    return tuple(item for item in PREPARATION if item.when == when and item.key not in confirmed)


def refusal(item: str, confirmed: Collection[str]) -> str:
    """Return why an item cannot be confirmed now; empty when it can.

    Parameters
    ----------
    item : str
        Key of the item.
    confirmed : collection of str
        Keys of the items confirmed so far.
    """
    found = next((known for known in PREPARATION if known.key == item), None)
    if found is None:
        return f'preparation: "{item}" must be one of {", ".join(known.key for known in PREPARATION)}'
    missing = [need for need in found.needs if need not in confirmed]
    return f"preparation: {item} must wait for {', '.join(missing)}" if missing else ""
