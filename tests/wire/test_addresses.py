"""The table against the design's own table, written out here."""

import subprocess
import sys

from bridge.wire.addresses import (
    COMMAND_ADDRESSES,
    EVENT_ADDRESSES,
    FRAME_ADDRESSES,
    READING_ADDRESSES,
    SESSION_ADDRESSES,
)
from bridge.wire.tree import CONTAINERS

SENT = """
/track/N/vu f, /track/N/deviation f, /track/N/fine f, /track/N/spread f, /track/N/state s, /tone/hz f, /tone/s f,
/tone/stands T,
/step/number i, /step/count i, /step/adjustment s, /step/tone_hz f, /step/speed_ips f, /step/target_vu f,
/step/tolerance_db f, /step/uncertainty_db f, /step/complete i, /step/missing i, /step/missing_tracks s,
/step/right_tracks s, /step/waiting_tracks s,
/calibration/missing i, /focus/track i, /focus/next i, /bank/number i, /hold/on T, /follow/on T, /tape/time s,
/practice/trimmers s,
/trim/logged isfffs, /done s, /refused ss, /version si, /health/source s, /health/log s,
/health/overruns i, /health/lost_frames i, /health/clock_steps i, /health/source_losses i, /health/refused_packets i,
/health/refused_trims i, /health/declined_commands i,
/health/dropped_packets i, /health/lost_connections i, /health/midi s, /health/midi_losses i, /health/message s
"""
TAKEN = """
/do/next, /do/back, /do/repeat, /do/step i, /do/bank i, /do/focus i, /do/hold T, /do/follow T, /do/log i, /do/undo s,
/do/reinstate s,
/do/note s, /do/confirm ss, /do/take_back ss, /do/finish, /practice/turn isf, /practice/tone f, /practice/path s,
/practice/playback_level f, /practice/foreign_tone f, /practice/foreign s,
/subscribe i, /unsubscribe, /pair s, /version
"""


def table(text: str) -> dict[str, str]:
    return {path: tags for path, _, tags in (entry.strip().partition(" ") for entry in text.split(","))}


def test_sent_and_taken_are_the_fixed_ones() -> None:
    sent = (*READING_ADDRESSES, *FRAME_ADDRESSES, *EVENT_ADDRESSES)
    taken = (*COMMAND_ADDRESSES, *SESSION_ADDRESSES)
    assert {row.path: row.tags for row in sent} == table(SENT)
    assert {row.path: row.tags for row in taken} == table(TAKEN)


def test_every_row_can_be_documented() -> None:
    for row in (*READING_ADDRESSES, *FRAME_ADDRESSES, *EVENT_ADDRESSES, *COMMAND_ADDRESSES, *SESSION_ADDRESSES):
        assert row.about
        for argument in row.arguments:
            assert argument.name
            # A share is a number without a unit.
            assert argument.tag != "f" or argument.unit or argument.name.startswith("share"), row.path
            assert argument.tag not in "if" or None not in (argument.lowest, argument.highest), row.path


def test_every_branch_of_the_tree_has_a_description_of_its_own() -> None:
    rows = (*READING_ADDRESSES, *FRAME_ADDRESSES, *EVENT_ADDRESSES, *COMMAND_ADDRESSES, *SESSION_ADDRESSES)
    branches = {f"/{row.path.split('/')[1]}" for row in rows if row.path.count("/") > 1}
    assert branches | {"/"} == set(CONTAINERS)


def test_the_table_loads_no_sound_library_and_no_simulation() -> None:
    """Commands that need the table alone would wait for them."""
    names = "soundfile", "bridge.source", "bridge.simulation"
    code = f"import sys, bridge.wire.addresses; print([name for name in {names} if name in sys.modules])"
    assert subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout == "[]\n"
