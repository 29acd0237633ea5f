"""What holds for every test."""

# Before anything imports numpy: the package asks for one thread of linear algebra, and tests import numpy first.
import bridge  # noqa: F401

# isort: split

from hypothesis import settings

# How long an example takes says something of the machine, not of the program.
settings.register_profile("project", deadline=None)
settings.load_profile("project")
