"""The OSC address space: one table of everything that is sent and everything that is taken.

The frames are encoded, the commands are decoded and the documentation is written from it. The design's own words are
in the column ``about``.
"""

from dataclasses import dataclass
from typing import Final, Literal, get_args

from bridge.procedure.commands import FOREIGN
from bridge.readings import LogState, MidiState, SourceState, State
from bridge.tape.machine import Path
from bridge.wire import osc

ADDRESS_SPACE: Final = 1
"""Number of this address space. It rises when an address goes away or comes to mean something else; what is added
leaves it as it is."""

TRACKS: Final = 64
"""Most tracks and inputs of a machine and an interface."""


@dataclass(frozen=True, slots=True)
class Argument:
    """One argument of an address.

    Parameters
    ----------
    tag : {"i", "f", "s", "T"}
        OSC type tag; T stands for T or F.
    name : str
        What it is, in one or two words.
    unit : str
        Unit of a number; empty when it has none.
    lowest, highest : float or None
        Range of a number, both ends included.
    longest : int or None
        Most characters of a string.
    choices : tuple of str
        The only values of a string, when there are few.
    nothing : bool
        Whether a float is NaN while there is nothing to say. NaN is a number of IEEE 754 that every receiver can read;
        0 dB would be a lie, and a message left out would leave the last value standing.
    """

    tag: Literal["i", "f", "s", "T"]
    name: str
    unit: str = ""
    lowest: float | None = None
    highest: float | None = None
    longest: int | None = None
    choices: tuple[str, ...] = ()
    nothing: bool = False


@dataclass(frozen=True, slots=True)
class Address:
    """One address.

    Parameters
    ----------
    path : str
        The address; a part ``N`` stands for the number of each track, 1…
    arguments : tuple of Argument
        In their order. What is taken may carry one more string, the request id.
    about : str
        What it says or does, in one line.
    field : str
        For what every frame carries: which attribute of `bridge.readings.Reading` (paths with ``N``) or of
        `bridge.readings.Frame` is sent.
    """

    path: str
    arguments: tuple[Argument, ...]
    about: str
    field: str = ""

    @property
    def tags(self) -> str:
        """The type tags, without the comma."""
        return "".join(argument.tag for argument in self.arguments)

    def of_track(self, track: int) -> str:
        """Return the address with ``track`` in place of ``N``."""
        return self.path.replace("/N/", f"/{track}/")

    def encode(self, *values: osc.Argument, track: int = 0) -> bytes:
        """Write the message, with ``track`` in place of ``N``.

        Text is cut to its longest and loses what OSC cannot carry; counts stop at the end of their range: a frame is
        not held back for the sake of a message that is too long.

        Raises
        ------
        bridge.wire.osc.OscError
            When a value is not of the type of the table.
        """
        sent = tuple(map(_sendable, self.arguments, values))
        tags = "".join("F" if value is False else tag for tag, value in zip(self.tags, sent, strict=True))
        return osc.encode_message(self.of_track(track), tags, sent)


def _sendable(argument: Argument, value: osc.Argument) -> osc.Argument:
    if isinstance(value, str):
        return value[: argument.longest].replace("\0", "").encode(errors="replace").decode()
    if argument.tag == "i" and isinstance(value, int) and argument.highest is not None:
        return min(value, int(argument.highest))
    return value


# Ranges of levels: a level of nothing is −200 dBFS (`bridge.units.SILENCE_DB`), a full-scale square wave +3 dBFS; the
# reference lies between −60 and 0 dBFS, a target between −40 and +12 VU.
_LEVEL = (Argument("f", "level", "VU", -200, 63),)
_TARGET = (Argument("f", "target", "VU", -40, 12),)
_DEVIATION = (Argument("f", "deviation", "dB", -212, 103, nothing=True),)
_SPREAD = (Argument("f", "spread", "dB", 0, 200, nothing=True),)
_TOLERANCE = (Argument("f", "tolerance", "dB", 0, 12),)
_UNCERTAINTY = (Argument("f", "uncertainty", "dB", 0, 60),)
_HZ = (Argument("f", "frequency", "Hz", 0, 20_000),)
_TONE_S = (Argument("f", "time", "s", 0, 36_000),)
_IPS = (Argument("f", "speed", "in/s", 0, 60),)
_COUNT = (Argument("i", "count", lowest=0, highest=2**31 - 1),)
_TRACK = (Argument("i", "track", lowest=1, highest=TRACKS),)
_TRACK_OR_NONE = (Argument("i", "track", lowest=0, highest=TRACKS),)
_TRACKS = (Argument("s", "tracks", longest=200),)
_TRIMMERS = (Argument("s", "trimmers", longest=6 * TRACKS),)
_ADJUSTMENT = (Argument("s", "adjustment", longest=32),)
_TRIM_ID = (Argument("s", "trim id", longest=64),)
_REQUEST_ID = (Argument("s", "request id", longest=64),)
_REASON = (Argument("s", "reason", longest=500),)
_FOUND = (Argument("f", "as found", "dB", -212, 103, nothing=True),)
_LEFT = (Argument("f", "as left", "dB", -212, 103, nothing=True),)
_STATE = (Argument("s", "state", choices=get_args(State)),)
_SOURCE = (Argument("s", "state", choices=get_args(SourceState)),)
_TAPE_TIME = (Argument("s", "time code", longest=11),)
_MIDI = (Argument("s", "state", choices=get_args(MidiState)),)
_LOG = (Argument("s", "state", choices=get_args(LogState)),)
_ON = (Argument("T", "on"),)

READING_ADDRESSES: Final = (
    Address("/track/N/vu", _LEVEL, "VU-ballistic reading", "vu"),
    Address("/track/N/deviation", _DEVIATION, "VU-ballistic reading minus target", "deviation_db"),
    Address("/track/N/fine", _DEVIATION, "fine deviation: steady-tone level minus target", "fine_db"),
    Address("/track/N/spread", _SPREAD, "standard deviation of the fine deviation over the settle window", "spread_db"),
    Address("/track/N/state", _STATE, "what the track is doing", "state"),
)
"""What every frame carries for each track."""

FRAME_ADDRESSES: Final = (
    Address("/tone/hz", _HZ, "frequency of the tone playing, 0 when none", "tone_hz"),
    Address("/tone/s", _TONE_S, "for how long that tone has played without a break", "tone_s"),
    Address("/tone/stands", _ON, "whether it stands as a tone of a tape does, and no sweep or speech", "tone_stands"),
    Address("/step/number", _COUNT, "number of the step, from 1; 0 when there are no steps", "step.number"),
    Address("/step/count", _COUNT, "how many steps there are", "step.count"),
    Address("/step/adjustment", _ADJUSTMENT, "the kind of trimmer that the step is for", "step.adjustment"),
    Address("/step/tone_hz", _HZ, "frequency of the tone of the step", "step.tone_hz"),
    Address("/step/speed_ips", _IPS, "tape speed of the step", "step.speed_ips"),
    Address("/step/target_vu", _TARGET, "what the meter must read in the step", "step.target_vu"),
    Address(
        "/step/tolerance_db", _TOLERANCE, "how far from the target is still right, up or down", "step.tolerance_db"
    ),
    Address(
        "/step/uncertainty_db", _UNCERTAINTY, "how far the target can be trusted, up or down", "step.uncertainty_db"
    ),
    Address("/step/complete", _COUNT, "how many tracks of the machine have what they need in the log", "step.complete"),
    Address("/step/missing", _COUNT, "how many tracks have not", "step.missing"),
    Address("/step/missing_tracks", _TRACKS, 'which they are, as in "3, 9-16"', "step.missing_text"),
    Address(
        "/step/right_tracks",
        _TRACKS,
        "which tracks of the bank are right: none that reads outside its tolerance",
        "right_text",
    ),
    Address("/step/waiting_tracks", _TRACKS, "which tracks only wait to be logged by themselves", "waiting_text"),
    Address("/calibration/missing", _COUNT, "how many are missing over all steps, a track of a step as one", "missing"),
    Address("/focus/track", _TRACK_OR_NONE, "the track whose trimmer is moving, 0 when none", "focus_track"),
    Address("/focus/next", _TRACK_OR_NONE, "the track that comes next, 0 when none", "next_track"),
    Address("/bank/number", _COUNT, "the bank that is patched to the inputs", "bank"),
    Address("/hold/on", _ON, "whether everything automatic is stopped", "held"),
    Address("/follow/on", _ON, "whether the tape leads to the step of its tone, while it is not held", "follows"),
    Address("/tape/time", _TAPE_TIME, "where the tape is by its time code; empty when none is heard", "tape_time"),
    Address(
        "/practice/trimmers",
        _TRIMMERS,
        "where the trimmers of the step stand on the simulated recorder, shares of their travel in the order of the "
        "tracks; empty on a real machine",
        "trimmers_text",
    ),
    Address("/health/source", _SOURCE, "whether samples arrive", "health.source"),
    Address("/health/log", _LOG, "whether trims can be written", "health.log"),
    Address("/health/overruns", _COUNT, "how often samples came faster than they were read", "health.overruns"),
    Address("/health/lost_frames", _COUNT, "how many samples of each input were lost", "health.lost_frames"),
    Address("/health/clock_steps", _COUNT, "how often the computer's clock was set", "health.clock_steps"),
    Address("/health/source_losses", _COUNT, "how often the source went away", "health.source_losses"),
    Address("/health/refused_packets", _COUNT, "packets refused, in whole or in part", "health.refused_packets"),
    Address("/health/declined_commands", _COUNT, "commands that could not be done", "health.declined_commands"),
    Address("/health/refused_trims", _COUNT, "trims that could not be written", "health.refused_trims"),
    Address("/health/dropped_packets", _COUNT, "packets lost on the way in or out", "health.dropped_packets"),
    Address(
        "/health/lost_connections",
        _COUNT,
        "screens and programs that went away without a good-bye or were cut off",
        "health.lost_connections",
    ),
    Address("/health/midi", _MIDI, "whether the MIDI ports that the config names are there", "health.midi"),
    Address("/health/midi_losses", _COUNT, "how often a MIDI port went away", "health.midi_losses"),
    Address("/health/message", _REASON, "what is wrong now; empty when nothing is", "health.message"),
)
"""What every frame carries once."""

TRIM_LOGGED: Final = Address(
    "/trim/logged",
    _TRACK + _ADJUSTMENT + _FOUND + _LEFT + _SPREAD + _TRIM_ID,
    "a trim is in the log; as found and as left are fine deviations",
)
DONE: Final = Address("/done", _REQUEST_ID, "the request with this id was done")
REFUSED: Final = Address("/refused", _REQUEST_ID + _REASON, "the request with this id was not done, and why")

PAGE_CHANGED: Final = Address(
    "/page/changed",
    (Argument("i", "revision", lowest=0, highest=2**31 - 1),),
    "to the page alone: what stands in the log has changed",
)

VERSION: Final = Address(
    "/version",
    (Argument("s", "program", longest=64), Argument("i", "address space", lowest=1, highest=2**31 - 1)),
    "the version of the program, and the number of this address space",
)

EVENT_ADDRESSES: Final = (TRIM_LOGGED, DONE, REFUSED, VERSION)
"""What is sent when it happens."""

_STEP = (Argument("i", "step", lowest=1, highest=9999),)
_BANK = (Argument("i", "bank", lowest=1, highest=TRACKS),)
# 500 characters of two bytes each, with address and request id, still fit one Ethernet frame.
_NOTE = (Argument("s", "text", longest=500),)
_ITEM = (Argument("s", "item", longest=64),)
_WHO = (Argument("s", "who", longest=64),)
_SHARE = (Argument("f", "share of the travel", lowest=-1, highest=1),)
_TONE = (Argument("f", "frequency", "Hz", 20, 20_000),)
_PLAYBACK = (Argument("f", "level", "dB", -12, 12),)
_FOREIGN = (Argument("s", "what", longest=16, choices=FOREIGN),)
_PATH = (Argument("s", "path", longest=16, choices=get_args(Path)),)
_CODE = (Argument("s", "code", longest=64),)
_SECONDS = (Argument("i", "time", "s", 1, 3600),)

COMMAND_ADDRESSES: Final = (
    Address("/do/next", (), "go to the following step"),
    Address("/do/back", (), "go back to the step before"),
    Address("/do/repeat", (), "begin the step anew; what was logged stays logged"),
    Address("/do/step", _STEP, "go to a step by its number"),
    Address("/do/bank", _BANK, "say which bank is patched to the inputs"),
    Address("/do/focus", _TRACK_OR_NONE, "keep the focus on a track; 0 lets it follow the movement"),
    Address("/do/hold", _ON, "stop everything automatic, or let it go on"),
    Address("/do/follow", _ON, "let the tape lead to the step of its tone, or stay at the step whatever plays"),
    Address("/do/log", _TRACK, "log a track as it stands now"),
    Address("/do/undo", _TRIM_ID, "mark a trim as withdrawn; nothing is ever deleted"),
    Address("/do/reinstate", _TRIM_ID, "let a trim stand again that was withdrawn"),
    Address("/do/note", _NOTE, "write a note into the log"),
    Address("/do/confirm", _ITEM + _WHO, "confirm an item of the preparation, with who does"),
    Address("/do/take_back", _ITEM + _WHO, "take back the confirmation of an item"),
    Address("/practice/turn", _TRACK + _ADJUSTMENT + _SHARE, "turn a trimmer of the simulated recorder"),
    Address("/practice/tone", _TONE, "wind the simulated tape to a tone, and play"),
    Address("/practice/path", _PATH, "switch the simulated recorder to a path"),
    Address(
        "/practice/playback_level",
        _PLAYBACK,
        "set the level of all tracks of the simulated recorder together, against that at the start",
    ),
    Address("/practice/foreign_tone", _TONE, "play a tone that the simulated tape lacks, until another is asked for"),
    Address("/practice/foreign", _FOREIGN, "play what is no tone at all, until a tone is asked for"),
    Address("/do/finish", (), "end the calibration; what comes after belongs to a new one"),
)
"""What is taken and becomes a command."""

SUBSCRIBE: Final = Address("/subscribe", _SECONDS, "send every frame to the sender of this, for so long")
UNSUBSCRIBE: Final = Address("/unsubscribe", (), "send no more frames to the sender of this")
PAIR: Final = Address("/pair", _CODE, "let the sender of this command from beyond this computer")
ASK_VERSION: Final = Address("/version", (), "ask for the version, which is answered under the same address")

SESSION_ADDRESSES: Final = (SUBSCRIBE, UNSUBSCRIBE, PAIR, ASK_VERSION)
"""What is taken and concerns the sender alone."""
