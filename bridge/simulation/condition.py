"""The state a recorder is in: every parameter of the model, with unit, range and where its default comes from.

"Practice" marks common practice without a source. A default is that of a machine in regular use, not of a good one.
"""

from dataclasses import dataclass, fields
from typing import Final, Self

from bridge.units import SILENCE_DB


@dataclass(frozen=True, slots=True)
class Condition:
    """What is wrong with a recorder, and how much.

    Parameters
    ----------
    speed_error : float
        Share by which the tape runs too fast, −0.02…0.02. Practice; DIN 45 500 allows home machines ±1.5 %.
    flutter_weighted_peak : float
        Weighted peak flutter (two-sigma, AES6-2008) as a share, 0…0.01. Practice; DIN 45 500: 0.002 for home machines.
    level_wander_db : float
        Standard deviation of the level at long wavelengths, 0…1 dB: thickness of the coating, tension. Practice.
    spacing_wander_um : float
        Standard deviation of the distance of tape and head, 0…1 µm; it costs 54.6 dB a wavelength (Wallace 1951), so
        short wavelengths wander more: 0.03 µm is 0.004 dB at 1 kHz and 0.04 dB at 10 kHz and 15 in/s. Practice.
    wander_corner_hz : float
        Where the spectrum of both has fallen to a half, 0.05…5 Hz. Practice: a needle sways about once a second.
    neighbour_correlation : float
        How far neighbouring tracks wander together, 0…0.99. Practice.
    dropouts_per_minute : float
        On all tracks together, 0…600. Practice.
    hiss_db, hum_db : float
        Relative to 0 VU, −200…0 dB: hiss from 20 Hz to 20 kHz, hum by its fundamental. Practice.
    converter_noise_dbfs : float
        From 20 Hz to 20 kHz, −200…−40 dBFS. Practice.
    mains_hz : float
        50 or 60.
    crosstalk_db : float
        From one track of the head to the next, −200…−20 dB. Practice.
    azimuth_urad : float
        Angle of the reproduce head against the recorded tones, µrad, −5000…5000; that of the sync head is drawn to the
        same size. A calibration tape itself is right within 300 µrad (McKnight, "Azimuth in a Magnetic Tape Recorder").
    azimuth_weave_urad : float
        Standard deviation of the change of that angle while the tape runs, 0…1000 µrad. McKnight gives 600 µrad from
        peak to peak as typical; over a minute that is a standard deviation of about 100.
    found_level_db, found_high_db, found_low_db : float
        Standard deviation over the tracks of how far each trimmer is from where it belongs, 0…8 dB. Practice.
    circuit_level_db, circuit_high_db, circuit_low_db : float
        Standard deviation over the tracks of what the trimmers make up for: wear of the heads and tolerances, 0…2 dB at
        1 kHz, 10 kHz and 100 Hz. Practice.
    level_to_high : float
        How much a level trimmer moves 10 kHz beyond what it moves 1 kHz, in dB a dB, −0.2…0.2: its source resistance
        works into a capacitance. Practice.
    backlash : float
        Play between shaft and wiper, share of the travel, 0…0.05. Practice.
    scratch : float
        Standard deviation of the place of contact while a wiper moves, share of the travel, 0…0.05. Practice.
    repro_gap_um, sync_gap_um : float
        Gaps of the heads, 0…20 µm: the record head has the longer one. Practice.
    """

    speed_error: float = 0.001
    flutter_weighted_peak: float = 0.0005
    level_wander_db: float = 0.04
    spacing_wander_um: float = 0.03
    wander_corner_hz: float = 0.5
    neighbour_correlation: float = 0.5
    dropouts_per_minute: float = 1.0
    hiss_db: float = -58.0
    hum_db: float = -68.0
    converter_noise_dbfs: float = -105.0
    mains_hz: float = 50.0
    crosstalk_db: float = -55.0
    azimuth_urad: float = 150.0
    azimuth_weave_urad: float = 60.0
    found_level_db: float = 1.0
    found_high_db: float = 1.0
    found_low_db: float = 0.8
    circuit_level_db: float = 1.0
    circuit_high_db: float = 0.7
    circuit_low_db: float = 0.5
    level_to_high: float = 0.03
    backlash: float = 0.004
    scratch: float = 0.001
    repro_gap_um: float = 3.0
    sync_gap_um: float = 7.0

    def __post_init__(self) -> None:
        for field in fields(self):
            low, high = _RANGES[field.name]
            value = getattr(self, field.name)
            if not low <= value <= high:
                raise ValueError(f"{field.name} must be from {low:g} to {high:g}, not {value:g}")

    @classmethod
    def perfect(cls) -> Self:
        """Return the state of a recorder without any fault: every track reads its target, and nothing else is heard."""
        silent = {"hiss_db": SILENCE_DB, "hum_db": SILENCE_DB, "converter_noise_dbfs": SILENCE_DB}
        kept = {"mains_hz": 50.0, "wander_corner_hz": 0.5, "crosstalk_db": SILENCE_DB, **silent}
        return cls(**{field.name: kept.get(field.name, 0.0) for field in fields(cls)})


_RANGES: Final[dict[str, tuple[float, float]]] = {
    "speed_error": (-0.02, 0.02),
    "flutter_weighted_peak": (0.0, 0.01),
    "level_wander_db": (0.0, 1.0),
    "spacing_wander_um": (0.0, 1.0),
    "wander_corner_hz": (0.05, 5.0),
    "neighbour_correlation": (0.0, 0.99),
    "dropouts_per_minute": (0.0, 600.0),
    "hiss_db": (SILENCE_DB, 0.0),
    "hum_db": (SILENCE_DB, 0.0),
    "converter_noise_dbfs": (SILENCE_DB, -40.0),
    "mains_hz": (40.0, 70.0),
    "crosstalk_db": (SILENCE_DB, -20.0),
    "azimuth_urad": (-5000.0, 5000.0),
    "azimuth_weave_urad": (0.0, 1000.0),
    "found_level_db": (0.0, 8.0),
    "found_high_db": (0.0, 8.0),
    "found_low_db": (0.0, 8.0),
    "circuit_level_db": (0.0, 2.0),
    "circuit_high_db": (0.0, 2.0),
    "circuit_low_db": (0.0, 2.0),
    "level_to_high": (-0.2, 0.2),
    "backlash": (0.0, 0.05),
    "scratch": (0.0, 0.05),
    "repro_gap_um": (0.0, 20.0),
    "sync_gap_um": (0.0, 20.0),
}
