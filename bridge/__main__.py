"""``python -m bridge``: the same as the command ``trimbridge``."""

from bridge.cli import main

main()
