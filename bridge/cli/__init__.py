"""Every command, thin."""

import sys


def main() -> None:
    """Run the command line."""
    try:
        # Half a second of imports, in which Ctrl-C shall be as quiet as later.
        from bridge.cli.app import main as run_app
    except KeyboardInterrupt:
        sys.exit(1)
    run_app()
