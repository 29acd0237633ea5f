from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from bridge.log.calibrations import Resumption, begin_or_resume
from bridge.log.entries import Entry
from bridge.log.store import Store
from bridge.log.writing import write_entry
from tests.log.examples import opening
from tests.log.users import ordinary_user, public_directory


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.db"


@pytest.fixture
def public_path() -> Iterator[Path]:
    with public_directory() as directory:
        directory.chmod(0o755)
        yield directory / "log.db"


@pytest.fixture
def as_ordinary_user() -> Iterator[Callable[[], None]]:
    with ordinary_user() as drop:
        yield drop


@pytest.fixture
def log(path: Path) -> Callable[..., tuple[Resumption, list[str]]]:
    """A call that opens the log, takes up its calibration, writes entries, and closes it again."""

    def write(*entries: Entry, **changes: object) -> tuple[Resumption, list[str]]:
        with closing(Store(path)) as store:
            with store.transaction(lambda: False) as connection:
                resumption = begin_or_resume(connection, opening(**changes))
            ids = []
            for entry in entries:
                with store.transaction(lambda: False) as connection:
                    ids.append(write_entry(connection, resumption.calibration, entry))
        return resumption, ids

    return write
