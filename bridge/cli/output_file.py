"""The file that a command writes: whole or not at all, and never over what it reads or what is not of its making."""

from pathlib import Path

from bridge.cli.failures import WrongUseError
from bridge.config.edit import replace_file


def write_whole(output: Path, text: str) -> None:
    """Write a text in place of the file before; what is no ordinary file takes it at once.

    Raises
    ------
    OSError
        When it cannot be written; then the file is as it was.
    """
    if output.exists() and not output.is_file():
        output.write_text(text, encoding="utf-8", newline="")
        return
    try:
        replace_file(output.resolve(), text.encode())
    except OSError as error:
        # The file that could not be written is one beside it, of which nobody but we know.
        raise OSError(error.errno, error.strerror, str(output)) from None


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
