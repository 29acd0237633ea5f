"""Benchmarks: ``python -m tools.bench [NAME …]`` runs those named, or all but the long ones.

Each prints what it measured side by side in this one run, with the goal beside it. No test depends on any of them.
"""

import importlib
import sys

SHORT = ("metering", "replay", "latency", "scale", "osc", "flood")
LONG = ("recognition", "page", "tablets")


def main() -> None:
    wanted = sys.argv[1:] or list(SHORT)
    unknown = [name for name in wanted if name not in SHORT + LONG]
    if unknown:
        sys.exit(f"there is no benchmark {unknown[0]}: there are {', '.join(SHORT + LONG)}")
    for name in wanted:
        print(f"== {name}")
        importlib.import_module(f"tools.bench.{name}").main()
        print()


main()
