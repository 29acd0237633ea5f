"""What holds for every test."""

# Before anything imports numpy: the package asks for one thread of linear algebra, and tests import numpy first.
import bridge  # noqa: F401
