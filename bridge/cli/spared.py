"""Files that a command must not write over, whatever it is told: what it reads, and what is not of its own making."""

from pathlib import Path

from bridge.cli.failures import WrongUseError


def spare(output: Path, *read: Path, begins: bytes) -> None:
    """Make sure that writing ``output`` costs nobody a file: a slip of the hand could cost a log or a recording.

    Parameters
    ----------
    output : Path
        What is to be written.
    *read : Path
        What is being read, none of which is ever written over, also not by another name.
    begins : bytes
        How a file of the same making begins; such a file may be replaced, and so may an empty one.

    Raises
    ------
    WrongUseError
        When it would.
    """
    for path in read:
        same = output.samefile(path) if output.exists() and path.exists() else output.resolve() == path.resolve()
        if same:
            raise WrongUseError(f"{output} is being read and would be written over: name another file")
    # What is no ordinary file, such as /dev/stdout, holds nothing.
    if output.is_file():
        with output.open("rb") as file:
            start = file.read(len(begins))
        if start and start != begins:
            raise WrongUseError(f"{output} is there already and holds something else: name another file")
