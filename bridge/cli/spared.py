"""Files that a command reads: it never writes over them, whatever it is told."""

from pathlib import Path

from bridge.cli.failures import WrongUseError


def spare(output: Path, *read: Path) -> None:
    """Make sure that ``output`` is none of the files that are being read, also not by another name.

    Raises
    ------
    WrongUseError
        When it is. A slip of the hand would otherwise cost a log or a recording.
    """
    for path in read:
        same = output.samefile(path) if output.exists() and path.exists() else output.resolve() == path.resolve()
        if same:
            raise WrongUseError(f"{output} is being read and would be written over: name another file")
