"""How the inputs of the interface differ, from one tone fed to all of them: the command `offsets`."""

import json
import sys
import time
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Final

from bridge.cli.failures import FailedError
from bridge.cli.tables import show, table
from bridge.config.edit import EditRefusedError, fingerprint, write_offsets
from bridge.config.load import load
from bridge.daemon.sources import open_source
from bridge.metering.meter import Meter
from bridge.metering.offsets import InputOffset, OffsetError, OffsetMeasurement
from bridge.source.block import Source

PATIENCE_S: Final = 30.0
"""How long to wait for the tone beyond the time that is measured."""

ATTEMPTS: Final = 3
"""A click while the last lead is plugged, or a period that the interface's server has lost, spoils one."""


def measure_offsets(config: Path, *, seconds: float, level_dbfs: float | None, write: bool, as_json: bool) -> None:
    """Measure, print, and write if asked."""
    try:
        seen = fingerprint(config)
    except EditRefusedError:
        seen = ""
    settings = load(config)
    try:
        source = open_source(settings)
        offsets = _measured(source, seconds, level_dbfs)
    except (OffsetError, ValueError) as error:
        raise FailedError(str(error)) from None
    # Measured in thousandths of a dB: what is written is what a person reads.
    kept = {one.input: round(one.offset_db, 3) for one in offsets}
    backup = None
    if write:
        try:
            backup = write_offsets(config, kept, seen)
        except EditRefusedError as error:
            raise FailedError(str(error)) from None
    if as_json:
        json.dump([asdict(one) for one in offsets], sys.stdout, indent=1)
        print()
        return
    rows = [
        (str(one.input), f"{one.level_dbfs:.3f}", f"{one.spread_db:.3f}", f"{one.offset_db:+.3f}") for one in offsets
    ]
    show(table(">input", ">reads dBFS", ">spread dB", ">offset dB"), rows)
    if backup is not None:
        print(f"written into {config}; the file as it was is {backup}")
    else:
        print("nothing written: give --write to put them into the config")


def _measured(source: Source, seconds: float, level_dbfs: float | None) -> tuple[InputOffset, ...]:
    meter = Meter(source.sample_rate_hz, len(source.inputs))
    source.start()
    try:
        for _ in range(ATTEMPTS - 1):
            with suppress(OffsetError):
                return _once(source, meter, seconds).result(level_dbfs)
        return _once(source, meter, seconds).result(level_dbfs)
    finally:
        source.stop()


def _once(source: Source, meter: Meter, seconds: float) -> OffsetMeasurement:
    measurement = OffsetMeasurement(source.inputs, seconds)
    until_s = time.monotonic() + seconds + PATIENCE_S / ATTEMPTS
    is_enough = False
    with suppress(EOFError):
        while not is_enough and time.monotonic() < until_s:
            block = source.read(0.2)
            # All levels of a block are taken, so that another attempt begins with the next block.
            for levels in meter.push(block) if block is not None else ():
                is_enough = measurement.push(levels) or is_enough
    return measurement
