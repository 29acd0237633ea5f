"""Page and terminal take their words from one place, and speak of the program by its name."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from bridge.cli.track_blocks import direction, track_lines
from bridge.config.load import loads
from bridge.daemon.setup import setup_of
from bridge.readings import Frame, Health, Reading, StepReading
from bridge.sinks.tablet.setup import setup_document
from bridge.words import BY_HAND, FOLLOWING, HELD, RELEASED, STATES, STAYING, STAYS, WAYS

BRIDGE = Path(__file__).parents[1] / "bridge"


def page_code() -> Iterator[tuple[str, str]]:
    """The page's modules without their comments."""
    for path in sorted((BRIDGE / "page").rglob("*.js")):
        yield path.name, re.sub(r"^\s*//.*$|\s//\s.*$", "", path.read_text(encoding="utf-8"), flags=re.MULTILINE)


def said_in_python() -> Iterator[tuple[str, str]]:
    """What stands in strings that are no docstrings."""
    for path in sorted(BRIDGE.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        notes = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in notes:
                yield path.name, node.value


def test_the_page_is_given_the_words_and_holds_none_of_its_own(tmp_path: Path) -> None:
    settings = loads('[machine]\nname = "Slipway two-track (invented)"\ntracks = 2\n', tmp_path / "c.toml")
    words = setup_document(settings, setup_of(settings))["words"]
    assert words == {
        "ways": {sign: {"said": way.said, "turn": way.turn} for sign, way in WAYS.items()},
        "states": STATES,
        "held": HELD,
        "released": RELEASED,
        "by_hand": BY_HAND,
        "stays": STAYS,
        "staying": STAYING,
        "following": FOLLOWING,
    }
    own = [
        HELD,
        RELEASED,
        STAYS,
        STAYING,
        FOLLOWING,
        *(way.said for way in WAYS.values()),
        "turn up",
        "turn down",
        "turning",
        "clipping",
    ]
    assert [(name, word) for name, code in page_code() for word in own if f'"{word}"' in code] == []


def test_the_terminal_takes_them_too() -> None:
    high, low = (direction(db, 0.2, is_right=False) for db in (0.5, -0.5))
    assert [f"turn {high}", f"turn {low}"] == [WAYS["high"].turn, WAYS["low"].turn]
    assert direction(0.1, 0.2, is_right=True) == WAYS["right"].turn
    assert [direction(db, 0.2, is_right=False) for db in (-0.19, 0.2)] == [WAYS["unsure"].turn] * 2
    readings = tuple(
        Reading(track, 0.0, 0.5, 0.5, 0.02, state, -17.0, -20.0) for track, state in enumerate(STATES, start=1)
    )
    step = StepReading(1, 1, "repro level", 1000.0, 15.0, 0.0, 0.2)
    frame = Frame(1.0, 10**18, 1000.0, step, 1, False, 0, readings, Health())
    drawn = [line.plain for line in track_lines(frame, 120, 24)][1:]
    assert [line.rstrip().endswith(f" {word}") for line, word in zip(drawn, STATES.values(), strict=True)] == [True] * 6


def test_nobody_is_told_of_a_daemon() -> None:
    assert [name for name, code in page_code() if re.search(r"\bdaemon\b", code)] == []
    told = [(name, text) for name, text in said_in_python() if re.search(r"\bdaemons?\b(?!\.)", text)]
    assert told == []
