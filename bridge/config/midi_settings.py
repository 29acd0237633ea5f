"""The keys of ``[midi]``: what arrives and what it does, what is sent and where.

Ports are chosen by the part of their name that stays the same. Nothing is opened that no key names.
"""

from typing import Annotated, Final, Literal

from pydantic import Field

from bridge.config.section import Section

MidiKind = Literal[
    "note",
    "control",
    "control 14 bit",
    "registered parameter",
    "non-registered parameter",
    "program",
    "pitch bend",
    "channel pressure",
    "key pressure",
    "song position",
    "song select",
    "tune request",
    "start",
    "continue",
    "stop",
    "reset",
    "system exclusive",
]
"""What a person calls the messages of MIDI 1.0. Parameters are what controllers 98 to 101 choose, 6 and 38 set, and
96 and 97 count up and down."""

MidiCommand = Literal[
    "next",
    "back",
    "repeat",
    "step",
    "bank",
    "focus",
    "hold",
    "go on",
    "hold or go on",
    "follow",
    "stay",
    "follow or stay",
    "log",
    "undo",
    "reinstate",
    "note",
    "confirm",
    "take back",
    "finish",
    "tape stop",
    "tape play",
    "tape to tone",
    "practice turn",
    "practice tone",
    "practice path",
]

_FOURTEEN_BITS: Final = (
    "control 14 bit",
    "registered parameter",
    "non-registered parameter",
    "pitch bend",
    "song position",
)


def highest_value(kind: MidiKind) -> int:
    """Return the largest value that a kind of message can have."""
    return 16_383 if kind in _FOURTEEN_BITS else 127


def usually_pressed(kind: MidiKind) -> int:
    """Return from which value a switch counts as pressed where nothing else is said."""
    return 1 if kind == "note" else (highest_value(kind) + 1) // 2


WIRE_BYTES_PER_S: Final = 3125
"""31.25 kbit/s with a start and a stop bit around each byte (MIDI 1.0 Detailed Specification, Hardware)."""

PortPart = Annotated[str, Field(max_length=200)]
NamedPort = Annotated[str, Field(min_length=1, max_length=200)]
Channel = Annotated[int, Field(ge=1, le=16)]
SevenBits = Annotated[int, Field(ge=0, le=127)]
FourteenBits = Annotated[int, Field(ge=0, le=16_383)]
Places = Annotated[int, Field(ge=1, le=64)]


class MidiBindSettings(Section):
    """A message that arrives and the command that it is."""

    port: PortPart = ""
    """The part of the input's name that stays the same, see `trimbridge inputs`; empty = any input. `trimbridge learn`
    writes this whole table."""
    message: MidiKind
    """What arrives."""
    channel: Channel | None = None
    """On which MIDI channel; left out = on any."""
    number: FourteenBits | None = None
    """Number of the note, controller, program or song, 0 to 127, or of the parameter, 0 to 16383 (128 times its upper
    half and its lower one); left out = any."""
    last_number: FourteenBits | None = None
    """The last of several numbers that are bound together; left out = only the one."""
    lowest_value: FourteenBits | None = None
    """Down to which value a switch counts as pressed. Left out = the upper half counts, of notes all but 0."""
    highest_value: FourteenBits | None = None
    """Up to which value a switch counts as pressed; left out = the highest there is."""
    data: Annotated[str, Field(max_length=600)] = ""
    """For "system exclusive": the bytes between F0 and F7, in hexadecimal."""
    command: MidiCommand
    """What it does. Undo withdraws the newest trim, and reinstate lets it stand again; log and focus take the track;
    what begins with practice is done to the simulated recorder."""
    argument: Annotated[int, Field(ge=0, le=9999)] | None = None
    """Number of the step, bank or track (0 = focus follows the movement); log and practice turn without one take the
    track in focus."""
    take: Literal["number", "value", "range", "turn"] | None = None
    """The argument comes from the message: its number, its value, its whole range spread over all there are, or how
    far an endless encoder was turned (a controller, or a parameter that is counted up and down)."""
    offset: Annotated[int, Field(ge=-9999, le=9999)] = 0
    """Added to what is taken from the number or value: notes 36 to 43 are tracks 1 to 8 with -35."""
    encoder: Literal["two's complement", "offset 64", "sign and size"] = "two's complement"
    """How a controller of an endless encoder writes a turn to the left: 127, 63 or 65 for one click."""
    share: Annotated[float, Field(ge=-1.0, le=1.0)] | None = None
    """For practice turn: the share of its travel by which a press or a click turns the trimmer; left out = 0.02."""
    hz: Annotated[float, Field(ge=20.0, le=20_000.0)] | None = None
    """For practice tone: to which tone the tape winds; left out = that of the step."""
    text: Annotated[str, Field(max_length=500)] = ""
    """For the command note: what is written into the log. For confirm and take back: the item of the preparation. For
    practice turn: the trimmer, empty = that of the step. For practice path: the path."""
    who: Annotated[str, Field(max_length=64)] = ""
    """For confirm and take back: who does it."""
    switch: Literal["momentary", "latching"] = "momentary"
    """Momentary acts when it is pressed; latching says on and off in turn, and each change acts."""
    debounce_s: Annotated[float, Field(ge=0.0, le=2.0)] = 0.05
    """For how long a contact bounces after it was closed or opened."""


class MidiMeterSettings(Section):
    """Deviations to the rings, faders or meters of a controller; one table for each port or range of them."""

    port: NamedPort
    """The part of the output's name that stays the same."""
    message: Literal["control", "control 14 bit", "pitch bend"] = "control"
    """As what it is sent."""
    value: Literal["deviation", "fine"] = "deviation"
    """Which deviation: of the VU-ballistic reading, or the fine one."""
    channel: Channel = 1
    """MIDI channel of the first track."""
    number: SevenBits = 16
    """Controller of the first track."""
    each_track: Literal["next number", "next channel"] = "next number"
    """Where the following tracks are; pitch bend has no number and takes the next channel."""
    first_place: Places = 1
    """The place in the bank with which it begins: 1 = the first track that is patched."""
    places: Places = 8
    """How many tracks are shown."""
    full_scale_db: Annotated[float, Field(gt=0.0, le=60.0)] = 3.0
    """The deviation at the end of the scale."""
    center: FourteenBits | None = None
    """What is sent for a deviation of 0; left out = the middle, 64 or 8192."""


class MidiLampSettings(Section):
    """States to lit pads: a note for each track whose velocity is the colour or brightness."""

    port: NamedPort
    """The part of the output's name that stays the same."""
    channel: Channel = 1
    """MIDI channel of the notes."""
    number: SevenBits = 36
    """Note of the first track; the following tracks have the next ones."""
    first_place: Places = 1
    """The place in the bank with which it begins: 1 = the first track that is patched."""
    places: Places = 8
    """How many tracks are shown."""
    quiet: SevenBits = 0
    """Velocity for a track without a tone; 0 = dark."""
    tone: SevenBits = 16
    """Velocity for a track with a tone."""
    moving: SevenBits = 64
    """Velocity while its trimmer moves."""
    settling: SevenBits = 48
    """Velocity while it comes to rest."""
    settled: SevenBits = 127
    """Velocity when it rests within tolerance."""
    settled_outside: SevenBits = 32
    """Velocity when it rests outside tolerance."""
    clipped: SevenBits = 96
    """Velocity when the input is overdriven."""
    focus: SevenBits | None = None
    """Velocity of the track in focus, whatever its state; left out = as its state."""


class MidiToneSettings(Section):
    """Where a tone stands on the tape by time code, for the machine control."""

    hz: Annotated[float, Field(ge=20.0, le=20_000.0)]
    """Frequency of the tone."""
    speed_ips: Annotated[float, Field(gt=0.0, le=60.0)] | None = None
    """The speed of the steps for which it stands there; left out = any, as with one calibration tape alone."""
    position: Annotated[str, Field(max_length=11)]
    """Time code at its start: hours, minutes, seconds, frames as "01:00:10:00"."""


class MidiSettings(Section):
    """MIDI: foot switches, pads and controllers, time code and machine control."""

    enabled: bool = True
    """Whether MIDI is used at all; without a port named below nothing is opened."""
    system: Annotated[str, Field(max_length=100)] = ""
    """The MIDI system as `trimbridge inputs` lists it; empty = all that run."""
    bytes_per_s: Annotated[int, Field(ge=100, le=1_000_000)] = 2500
    """How much one output is sent at most. A 5-pin cable carries 3125 bytes/s; the rest is for what others merge in."""
    time_code: PortPart = ""
    """Input that brings MIDI time code, by the part of its name that stays the same; empty = none is followed."""
    machine_control: bool = False
    """Whether stop, play and locate may be sent to the recorder. Record commands never are."""
    machine_port: PortPart = ""
    """Output that leads to the recorder or its synchronizer."""
    machine_device: SevenBits = 127
    """Its device number; 127 = every device."""
    locate_on_step: bool = False
    """Whether a new step of the same calibration tape sends the machine to the start of its tone, as soon as that is
    known. Where the tape has to be changed, and on the record side, nothing winds by itself."""
    tone: tuple[MidiToneSettings, ...] = ()
    """Where tones begin on the tape; those that were heard with time code are known without."""
    bind: tuple[MidiBindSettings, ...] = ()
    """What arrives and what it does."""
    meter: tuple[MidiMeterSettings, ...] = ()
    """Deviations that are sent."""
    lamp: tuple[MidiLampSettings, ...] = ()
    """States that are sent."""
