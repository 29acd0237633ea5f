"""The settings: every key of the config file with its type, range and default. Frozen; made by `bridge.config.load`."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from bridge.tape.machine import Adjustment

Hz = Annotated[float, Field(ge=20.0, le=20_000.0)]
SpeedIps = Annotated[float, Field(gt=0.0, le=60.0)]
Db = Annotated[float, Field(ge=-60.0, le=60.0)]
Microseconds = Annotated[float, Field(ge=0.0, le=10_000.0)]
FluxivityNwbPerM = Annotated[float, Field(ge=10.0, le=2000.0)]
Port = Annotated[int, Field(ge=0, le=65_535)]
Millimetres = Annotated[float, Field(gt=0.0, le=60.0)]


class Section(BaseModel):
    """What every section is: frozen, strict, and closed to unknown keys."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)


class TimeConstants(Section):
    """A free equalization: ``{ hf_us = 35, lf_us = 0 }``; 0 means none."""

    hf_us: Microseconds
    lf_us: Microseconds = 0.0


EqualizationSetting = Literal["iec1", "iec2", "nab"] | TimeConstants


class SpeedSettings(Section):
    """One speed of the machine."""

    ips: SpeedIps
    equalization: EqualizationSetting


class MachineSettings(Section):
    """``[machine]``: the tape recorder."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    tracks: Annotated[int, Field(ge=1, le=64)]
    operating_level_nwb_per_m: FluxivityNwbPerM = 320.0
    track_width_mm: Millimetres | None = None
    track_pitch_mm: Millimetres | None = None
    speeds: tuple[SpeedSettings, ...] = ()


class ToneSettings(Section):
    """One tone of the calibration tape."""

    hz: Hz
    level_db: Db = 0.0
    seconds: Annotated[float, Field(gt=0.0, le=36_000.0)] = 60.0


class TapeSettings(Section):
    """``[tape]``: the calibration tape."""

    name: str = ""
    fluxivity_nwb_per_m: FluxivityNwbPerM = 320.0
    scale: Literal["aes7", "german"] = "aes7"
    reference_hz: Hz = 1000.0
    speed_ips: SpeedIps = 15.0
    equalization: EqualizationSetting = "iec1"
    full_track: bool = True
    fringing_compensated: bool = False
    tones: tuple[ToneSettings, ...] = (ToneSettings(hz=1000.0), ToneSettings(hz=10_000.0))


class AudioSettings(Section):
    """``[audio]``: the audio interface and the reference level.

    ``inputs`` is one bank, or several: each maps track numbers to input numbers.
    """

    source: Literal["device", "recording", "simulated"] = "device"
    device: str = ""
    host_api: str = ""
    recording: Path | None = None
    sample_rate_hz: Annotated[int, Field(ge=44_100, le=192_000)] = 48_000
    block_frames: Annotated[int, Field(ge=16, le=8192)] = 512
    reference_dbfs: Annotated[float, Field(ge=-60.0, le=0.0)] = -18.0
    banks: tuple[tuple[tuple[int, int], ...], ...] = ()
    """From the key ``inputs``: for each bank, pairs of (track, input) in track order."""
    offsets_db: tuple[tuple[int, float], ...] = ()
    """Pairs of (input, dB added to what the input measures)."""


class StepSettings(Section):
    """``[[step]]``: one adjustment at one tone and one speed."""

    adjustment: Adjustment
    tone_hz: Hz
    speed_ips: SpeedIps | None = None
    target_vu: Annotated[float, Field(ge=-40.0, le=12.0)] | None = None
    tolerance_db: Annotated[float, Field(gt=0.0, le=12.0)] = 0.25


class OscSettings(Section):
    """``[osc]``: where commands are heard and frames are sent."""

    enabled: bool = True
    listen: str = "127.0.0.1"
    port: Port = 9710
    destinations: tuple[str, ...] = ()
    """``host:port`` of each fixed receiver."""
    frames_per_s: Annotated[float, Field(ge=1.0, le=100.0)] = 30.0
    pairing_code: Annotated[str, Field(max_length=64)] = ""


class LogSettings(Section):
    """``[log]``: the SQLite file."""

    enabled: bool = True
    file: Path | None = None
    """Default: ``trimbridge.db`` in the user's data directory."""


class SimulatedSettings(Section):
    """``[simulated]``: the embedded recorder, for practice and for tests."""

    seed: Annotated[int, Field(ge=0)] = 1


class Settings(Section):
    """The whole config."""

    machine: MachineSettings
    tape: TapeSettings = TapeSettings()
    audio: AudioSettings = AudioSettings()
    step: tuple[StepSettings, ...] = ()
    osc: OscSettings = OscSettings()
    log: LogSettings = LogSettings()
    simulated: SimulatedSettings = SimulatedSettings()
