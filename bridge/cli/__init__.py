"""Every command, thin."""

from bridge.cli.app import main

__all__ = ["main"]
