"""Side by side timing: candidates take turns, so that whatever else the machine does hits all of them."""

import time
from collections.abc import Callable, Mapping


def best_s(candidates: Mapping[str, Callable[[], object]], rounds: int, repeats: int) -> dict[str, float]:
    """Return the best time of one call of each candidate, seconds."""
    best = dict.fromkeys(candidates, float("inf"))
    for _ in range(rounds):
        for name, call in candidates.items():
            begin = time.perf_counter()
            for _ in range(repeats):
                call()
            best[name] = min(best[name], (time.perf_counter() - begin) / repeats)
    return best


def report(what: str, measured: float, goal: str = "", met: bool = True) -> None:
    """Print one figure, beside its goal where it has one."""
    beside = f"   goal {goal:12s} {'met' if met else 'NOT MET'}" if goal else ""
    print(f"{what:66s} {measured:10.2f}{beside}")
