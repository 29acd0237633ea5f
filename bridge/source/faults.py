"""What can go wrong with a source of blocks; apart, because the commands know it without loading NumPy."""


class SourceLostError(Exception):
    """No more samples will come from this source until it is opened again. The message says why, in one line."""
