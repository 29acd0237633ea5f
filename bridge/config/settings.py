"""The settings: every key of the config file with its type, range and default. Frozen; made by `bridge.config.load`.

The text under a key is what people read above it in a new config and in the faults: see `bridge.config.keys`.
"""

from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Discriminator, Field, Tag

from bridge.config.midi_settings import MidiSettings
from bridge.config.section import Section
from bridge.tape.equalization import CurveName
from bridge.tape.fluxivity import FluxivityScale
from bridge.tape.machine import Adjustment

MOST_TRACKS: Final = 64
"""The largest interface that is served, and so the largest bank and the largest machine."""

Hz = Annotated[float, Field(ge=20.0, le=20_000.0)]
SpeedIps = Annotated[float, Field(gt=0.0, le=60.0)]
Db = Annotated[float, Field(ge=-60.0, le=60.0)]
Microseconds = Annotated[float, Field(ge=0.0, le=10_000.0)]
FluxivityNwbPerM = Annotated[float, Field(ge=10.0, le=2000.0)]
Port = Annotated[int, Field(ge=0, le=65_535)]
Micrometres = Annotated[float, Field(gt=0.0, le=100.0)]
UncertaintyDb = Annotated[float, Field(ge=0.0, le=12.0)]
Millimetres = Annotated[float, Field(gt=0.0, le=60.0)]


def _home_known(path: Path) -> Path:
    try:
        path.expanduser()
    except RuntimeError:
        raise ValueError("there is no such user") from None
    return path


FilePath = Annotated[Path, Field(strict=False), AfterValidator(_home_known)]


class TimeConstants(Section):
    """A free equalization: ``{ hf_us = 35, lf_us = 0 }``; 0 means none."""

    hf_us: Microseconds
    """The upper time constant (tau 1)."""
    lf_us: Microseconds = 0.0
    """The lower time constant (tau 2); 0 = none."""


FREE_CURVE: Final = "<time constants>"
NAMED_CURVE: Final = "<curve>"
ONE_TAPE: Final = "<tape>"
SEVERAL_TAPES: Final = "<tapes>"
"""Marks of the ways to write an equalization, and the calibration tapes; they never occur as keys."""


def _way_of_writing(value: object) -> str:
    return FREE_CURVE if isinstance(value, dict | TimeConstants) else NAMED_CURVE


def _one_or_several(value: object) -> str:
    # An empty list is none of both, and told as a section that is missing.
    return SEVERAL_TAPES if isinstance(value, list | tuple) and value else ONE_TAPE


EqualizationSetting = Annotated[
    Annotated[CurveName, Tag(NAMED_CURVE)] | Annotated[TimeConstants, Tag(FREE_CURVE)],
    Discriminator(_way_of_writing),
]


class FringingSettings(Section):
    """Fringing that somebody measured on this very head and tape; it has precedence over the estimate."""

    speed_ips: SpeedIps
    """The speed at which it was measured."""
    points: Annotated[tuple[tuple[Hz, Db], ...], Field(min_length=1)]
    """Pairs of a frequency in Hz, rising, and how much too high the tape reads there in dB."""
    uncertainty_db: UncertaintyDb = 0.25
    """How far each value can be trusted, up or down."""


class SpeedSettings(Section):
    """One speed of the machine."""

    ips: SpeedIps
    """Tape speed."""
    equalization: EqualizationSetting
    """Reproduce equalization that the machine is set to at this speed."""


class MachineSettings(Section):
    """The tape recorder."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    """What you call the machine; every trim in the log carries it."""
    tracks: Annotated[int, Field(ge=1, le=MOST_TRACKS)]
    """How many tracks it has."""
    operating_level_nwb_per_m: FluxivityNwbPerM = 320.0
    """The fluxivity that shall read 0 VU on this machine."""
    operating_level_scale: FluxivityScale = "aes7"
    """How the operating level was measured: by AES7 / ANSI S4.6, or on the old German scale (DIN 45 520)."""
    tape_width_mm: Millimetres | None = None
    """Width of the tape; left out = not known."""
    track_width_mm: Millimetres | None = None
    """Width of one track on the reproduce head; left out = not known."""
    track_pitch_mm: Millimetres | None = None
    """From the middle of one track to the middle of the next; left out = not known."""
    repro_gap_um: Micrometres | None = None
    """Gap length of the reproduce head; left out = not known."""
    sync_gap_um: Micrometres | None = None
    """Gap length of the record head, which reads on the sync path; left out = not known."""
    fringing: FringingSettings | None = None
    """Fringing measured on the reproduce head; left out = estimated from the track width."""
    speeds: tuple[SpeedSettings, ...] = ()
    """Its speeds; left out = it is taken to agree with the calibration tape."""


class ToneSettings(Section):
    """One tone of the calibration tape."""

    hz: Hz
    """Frequency."""
    level_db: Db = 0.0
    """Level relative to the tape's reference fluxivity."""
    seconds: Annotated[float, Field(gt=0.0, le=36_000.0)] = 60.0
    """How long it plays."""


class TapeSettings(Section):
    """The calibration tape: copy what its label and its sheet say."""

    name: Annotated[str, Field(max_length=200)] = ""
    """What you call the tape."""
    fluxivity_nwb_per_m: FluxivityNwbPerM = 320.0
    """Its reference fluxivity."""
    scale: FluxivityScale = "aes7"
    """How the fluxivity was measured: by AES7 / ANSI S4.6, or on the old German scale (DIN 45 520)."""
    reference_hz: Hz = 1000.0
    """The frequency at which the reference fluxivity was set."""
    speed_ips: SpeedIps = 15.0
    """The speed it was made for."""
    equalization: EqualizationSetting = "iec1"
    """The equalization it was made for."""
    full_track: bool = True
    """Whether it was recorded over its whole width."""
    fringing_compensated: bool = False
    """Whether its low tones were lowered to make up for fringing on narrow tracks."""
    track_width_mm: Millimetres | None = None
    """Width of one recorded track, when it was not recorded over its whole width; left out = not known."""
    fringing: FringingSettings | None = None
    """Fringing measured with this tape; it has precedence over the machine's and over the estimate."""
    fluxivity_uncertainty_db: UncertaintyDb = 0.25
    """Tolerance of the reference fluxivity, up or down, from the tape's sheet."""
    response_uncertainty_db: UncertaintyDb = 0.5
    """Tolerance of its other tones against the reference tone, up or down, from the tape's sheet."""
    tones: tuple[ToneSettings, ...] = (ToneSettings(hz=1000.0), ToneSettings(hz=10_000.0))
    """Its tones in the order in which they play."""


TapesSetting = Annotated[
    Annotated[TapeSettings, Tag(ONE_TAPE)] | Annotated[tuple[TapeSettings, ...], Tag(SEVERAL_TAPES)],
    Discriminator(_one_or_several),
]
"""``[tape]`` once, or ``[[tape]]`` for each."""


class AudioSettings(Section):
    """The audio interface and the reference level."""

    source: Literal["device", "recording", "simulated"] = "device"
    """Where the sound comes from: an audio interface, a file, or the simulated recorder for practice."""
    device: Annotated[str, Field(max_length=300)] = ""
    """Name of the audio interface as `trimbridge inputs` writes it, or a part of it that fits no other; empty = the
    only one there is."""
    host_api: Annotated[str, Field(max_length=100)] = ""
    """The host API under which `trimbridge inputs` lists it; empty = any."""
    recording: FilePath | None = None
    """The file for source = "recording": WAV, RF64 or FLAC. A relative path starts at this config's folder."""
    sample_rate_hz: Annotated[int, Field(ge=44_100, le=192_000)] = 48_000
    """Sample rate asked of the interface."""
    block_frames: Annotated[int, Field(ge=16, le=8192)] = 512
    """Samples of each input in one block: fewer = quicker to the eye, more = less work."""
    reference_dbfs: Annotated[float, Field(ge=-60.0, le=0.0)] = -18.0
    """The level of a sine that reads 0 VU; 0 dBFS is a full-scale sine (AES17)."""
    banks: Annotated[tuple[tuple[tuple[int, int], ...], ...], Field(alias="inputs")] = ()
    """Which input each track is patched to, track = input, as numbers or ranges ("1-8" = "1-8"). A list of such
    tables makes banks. Left out = track 1 on input 1, and so on."""
    offsets_db: tuple[tuple[int, Db], ...] = ()
    """Added to what each input measures, input = offset; measured by the tool. Left out = 0."""


class StepSettings(Section):
    """One step: one adjustment at one tone and one speed, for every track."""

    adjustment: Adjustment
    """Which trimmer is turned in this step."""
    tone_hz: Hz
    """The tone to which it is turned."""
    speed_ips: SpeedIps | None = None
    """The speed at which the machine runs; must be given where there are calibration tapes for several speeds. Left
    out = the speed of the calibration tape, if the machine has it, or else its first."""
    tone_level_db: Db | None = None
    """Which of several tones of one frequency on the tape is meant; on the record side, the level of the generator's
    tone relative to operating level. Left out = the one nearest 0 dB."""
    target_vu: Annotated[float, Field(ge=-40.0, le=12.0)] | None = None
    """What the meter must read; left out = computed from machine and tape."""
    user_db: Db = 0.0
    """A correction of your own, added to the computed target."""
    tolerance_db: Annotated[float, Field(gt=0.0, le=12.0)] = 0.25
    """How far from the target a track may be left, up or down."""


class OscSettings(Section):
    """OSC: where commands are heard and where frames are sent."""

    enabled: bool = True
    """Whether OSC is spoken at all."""
    listen: Annotated[str, Field(max_length=100)] = "127.0.0.1"
    """The numeric address that hears commands: "127.0.0.1" = this computer only, "0.0.0.0" = the network."""
    port: Port = 9710
    """The UDP port that hears commands; 0 = one that is free."""
    destinations: tuple[str, ...] = ()
    """Fixed receivers of every frame, each as "host:port"; a multicast group is one too."""
    multicast_interface: Annotated[str, Field(max_length=100)] = ""
    """The network interface by which multicast groups are sent to and heard, by its name or its address; empty = the
    system's choice."""
    multicast_ttl: Annotated[int, Field(ge=0, le=255)] = 1
    """Through how many networks a frame for a multicast group may go: 1 = this network alone."""
    frames_per_s: Annotated[float, Field(ge=1.0, le=100.0)] = 30.0
    """How many frames are published in a second, to every viewer and to the readings of replay."""
    immediately: bool = False
    """Whether frames say "immediately" in place of when they were captured: for receivers whose clock differs and
    which hold back what seems to come from the future."""
    tcp: Literal["off", "size", "slip"] = "off"
    """Whether OSC is spoken over TCP as well, and what parts the packets there: "size" = their length before each (OSC
    1.0), "slip" = a mark between them (OSC 1.1)."""
    tcp_port: Port = 9710
    """The TCP port; 0 = one that is free."""
    announce: bool = True
    """Whether the network is told by DNS-SD that OSC and the page are here, once they listen to it. Needs the extra
    "discovery"."""
    pairing_code: Annotated[str, Field(max_length=64)] = ""
    """What commands from other computers must show; empty = such commands are refused."""
    groups: Annotated[tuple[str, ...], Field(max_length=16)] = ()
    """Multicast groups that are heard beside listen, by their numeric addresses. Whoever sends to one must be paired
    like any other sender."""


class PageSettings(Section):
    """The page for tablets, phones and wall screens: where it is served and who may command from it."""

    enabled: bool = True
    """Whether the page is served at all."""
    listen: Annotated[str, Field(max_length=100)] = "127.0.0.1"
    """The numeric address that serves it: "127.0.0.1" = to this computer only, "0.0.0.0" = to the network."""
    port: Port = 9711
    """The TCP port that serves it; 0 = one that is free."""
    names: tuple[Annotated[str, Field(min_length=1, max_length=253)], ...] = ()
    """Names under which other computers may ask for it, beside its numeric address."""
    pairing_code: Annotated[str, Field(max_length=64)] = ""
    """What a tablet must show once before it may command; empty = a new code at each start. Another code, also a
    first one, forgets the screens that were paired before."""
    certificate: FilePath | None = None
    """Your own certificate chain in PEM, for https. A relative path starts at this config's folder."""
    certificate_key: FilePath | None = None
    """The private key of the certificate in PEM, where it is not in the same file. A relative path starts at this
    config's folder."""
    layouts: tuple[FilePath, ...] = ()
    """Layouts of your own beside machine, wall and phone; each is a page under the name of its file. Relative paths
    start at this config's folder."""


class PreparationSettings(Section):
    """What experience demands before the first tone and after the last: heads clean, tracks safe, tape tails out."""

    ask: bool = True
    """Whether it is asked for, and what is not confirmed yet is shown; false = you see to it yourself. Never asked for
    with the simulated recorder."""


class LogSettings(Section):
    """The log of trims."""

    enabled: bool = True
    """Whether trims are logged. Without a log no paired screens are kept: they pair again after each start."""
    file: FilePath | None = None
    """The log's file. Left out = trimbridge.db in your data directory. A relative path starts at this config's
    folder."""


class SimulatedSettings(Section):
    """The simulated recorder, for practice: used when source = "simulated"."""

    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = 1
    """Which recorder: the same number gives the same errors on every track."""


class Settings(Section):
    """The whole config."""

    machine: MachineSettings
    tape: TapesSetting = TapeSettings()
    audio: AudioSettings = AudioSettings()
    step: tuple[StepSettings, ...] = ()
    """The steps in the order in which they are done."""
    osc: OscSettings = OscSettings()
    page: PageSettings = PageSettings()
    midi: MidiSettings = MidiSettings()
    preparation: PreparationSettings = PreparationSettings()
    log: LogSettings = LogSettings()
    simulated: SimulatedSettings = SimulatedSettings()

    @property
    def tapes(self) -> tuple[TapeSettings, ...]:
        """The calibration tapes in their order, one at least, in whichever way they are written."""
        return self.tape if isinstance(self.tape, tuple) else (self.tape,)
