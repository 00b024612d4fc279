"""How much processor time does a call take? Rivals take turns, so that a busy minute hits all of them alike."""

from __future__ import annotations

import gc
from collections.abc import Callable, Mapping
from contextlib import contextmanager
from statistics import median
from time import process_time_ns
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


SAMPLE_NS = 10_000_000
"""A sample repeats the call until about this much time is used: far above the clock's own grain."""


def medians_ms(calls: Mapping[str, Callable[[], object]], *, rounds: int, collector: bool) -> dict[str, float]:
    """Median processor time of each call [ms].

    Args:
        calls: by name; each is warmed up first.
        rounds: how many samples of each; the order turns from round to round.
        collector: whether the garbage collector runs meanwhile.
    """
    repeats = {name: _repeats(call) for name, call in calls.items()}
    samples: dict[str, list[float]] = {name: [] for name in calls}
    names = list(calls)
    with _collector(collector):
        for number in range(rounds):
            for place in range(len(names)):
                name = names[(number + place) % len(names)]
                gc.collect()
                # The collector has just walked over everything and emptied the caches, for short calls and long alike.
                calls[name]()
                samples[name].append(_time_ns(calls[name], repeats[name]) / 1e6)
    return {name: median(found) for name, found in samples.items()}


def _repeats(call: Callable[[], object]) -> int:
    _time_ns(call, 2)
    return max(1, round(SAMPLE_NS / max(1.0, _time_ns(call, 3))))


def _time_ns(call: Callable[[], object], repeats: int) -> float:
    began = process_time_ns()
    for _ in range(repeats):
        call()
    return (process_time_ns() - began) / repeats


@contextmanager
def _collector(on: bool) -> Iterator[None]:
    was = gc.isenabled()
    (gc.enable if on else gc.disable)()
    try:
        yield
    finally:
        (gc.enable if was else gc.disable)()
