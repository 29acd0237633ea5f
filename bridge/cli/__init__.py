"""Every command, thin."""

import signal


def main() -> None:
    """Run the command line."""
    # Half a second of imports, in which there is nothing to tidy up and an exception may be swallowed by Python's own
    # machinery: Ctrl-C simply ends the program then. Whoever has started it with Ctrl-C ignored wants that.
    heard = signal.getsignal(signal.SIGINT) is not signal.SIG_IGN
    if heard:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from bridge.cli.app import main as run_app

    if heard:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    run_app()
