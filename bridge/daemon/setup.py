"""From settings to what is calibrated, under which name, and where it is logged.

Apart from the service, whose network takes a third of a second to import: commands that need no network answer sooner.
"""

from pathlib import Path

from bridge.config.convert import to_banks, to_machine, to_steps, to_tapes
from bridge.config.settings import Settings
from bridge.log.store import default_path
from bridge.procedure.setup import Setup
from bridge.procedure.tapes import Tapes


def machine_name(settings: Settings) -> str:
    """Return what the machine is called everywhere: nobody shall take practice for the real thing, also not later."""
    return f"{settings.machine.name} (simulated)" if settings.audio.source == "simulated" else settings.machine.name


def setup_of(settings: Settings, machine: str | None = None) -> Setup:
    """Return what the calibration is of; ``machine`` is the name under which it is logged, if not its own."""
    return Setup(
        machine=machine or machine_name(settings),
        steps=to_steps(settings),
        banks=to_banks(settings),
        reference_dbfs=settings.audio.reference_dbfs,
        offsets_db=dict(settings.audio.offsets_db),
        tapes=Tapes.on(to_machine(settings), to_tapes(settings)),
    )


def log_path(settings: Settings) -> Path:
    """Return where the log is."""
    if settings.log.file is None and settings.audio.source == "simulated":
        return default_path().with_name("practice.db")
    return settings.log.file or default_path()


def paired_path(settings: Settings) -> Path | None:
    """Return where the paired screens are kept: beside the log and by its name; None when nothing is logged.

    So practice, whose log lies in the same folder, neither borrows the screens of the machine nor forgets them. Without
    a log, of which one daemon at a time is in charge, two could write the same file.
    """
    if not settings.log.enabled:
        return None
    log = log_path(settings)
    return log.with_name(f"{log.stem}-paired-screens.json")
