"""Run the benchmark and print its tables.

    PYTHONPATH=tests python -m benchmarks.speed            a few minutes on one core
    PYTHONPATH=tests python -m benchmarks.speed --quick    about a minute

What is printed was measured in this very run. Times are medians; rivals take turns.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from collections.abc import Sequence

from benchmarks.speed.processor import CASES, STAGES_OF, curve_ms, stages_ms, whole_ms
from benchmarks.speed.serving import Start, request_bytes, start, under_load

TIMES_MODELS, SHARE_OF_HELLO, TAIL, ESTIMATE_MS, FIRST_ANSWER_S, MEMORY_MB = 30.0, 0.25, 3.0, 1.0, 1.0, 100.0
"""The aims: this many times the models' way; this share of hello-world; p99 over p50; and what must stay below."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, print, and return 0: an aim that is not met is said, not hidden."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.speed")
    parser.add_argument("--quick", action="store_true", help="fewer rounds")
    quick = parser.parse_args(arguments).quick
    rounds = 7 if quick else 21
    began = time.perf_counter()
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(f"Python {platform.python_version()}, {os.cpu_count()} processors, load {load} (1, 5, 15 minutes)")
    _print_whole(rounds=rounds, collector=False)
    _print_whole(rounds=rounds, collector=True)
    _print_stages(rounds)
    _print_serving(quick)
    print(f"\n{time.perf_counter() - began:.0f} s")
    return 0


def _print_whole(*, rounds: int, collector: bool) -> None:
    print(
        f"\nWhole request, bytes in to bytes out through the ASGI application; collector {'on' if collector else 'off'}"
    )
    names = ("ebbmark", "json.loads", "orjson.loads", "echo", "models decode", "models way")
    print(f"{'processor time [ms]':20}" + "".join(f"{name:>15}" for name in names))
    found = {case: whole_ms(case, rounds=rounds, collector=collector) for case in CASES}
    for case, times in found.items():
        print(f"{case.name:20}" + "".join(f"{times[name]:15.3f}" for name in names))
    print(f"{'ebbmark is':20}{'kB':>8}{'x json.loads':>15}{'x orjson.loads':>16}{'x echo':>9}{'models way is':>16}")
    for case, times in found.items():
        ours, ratio = times["ebbmark"], times["models way"] / times["ebbmark"]
        fast = ours / times["orjson.loads"]
        print(
            f"{case.name:20}{len(case.body) / 1000:8.0f}{ours / times['json.loads']:15.2f}{fast:16.2f}"
            f"{ours / times['echo']:9.1f}{ratio:14.1f} x"
            + (
                ""
                if collector
                else f"   aims: {_said(fast, case.aim)} x orjson; {_said(-ratio, -TIMES_MODELS)} x models"
            )
        )


def _print_stages(rounds: int) -> None:
    print(f"\nStages alone at {STAGES_OF.name}, collector off [ms]")
    for name, taken in stages_ms(STAGES_OF, rounds=rounds).items():
        print(f"  {name:38}{taken:8.3f}")
    print("Estimate alone [ms]")
    for steps, readings in ((10, 1), (10, 5), (25, 1), (25, 5)):
        taken = curve_ms(steps, readings, rounds=rounds)
        aim = f"   aim: {_said(taken, ESTIMATE_MS)} ms" if steps == 25 else ""
        print(f"  {f'{steps} steps, {readings} readings each':38}{taken:8.3f}{aim}")


def _print_serving(quick: bool) -> None:
    body = STAGES_OF.body
    _print_start(start(body, times=2 if quick else 5))
    print(f"\nOver loopback, one worker, callers that wait for their answer; {STAGES_OF.name}")
    sent = {
        "hello": request_bytes("/", b""),
        "echo": request_bytes("/echo", body),
        "ebbmark": request_bytes("/fhir/$titrate-peep", body),
    }
    print(f"{'callers':>7}{'':2}{'':10}{'requests/s':>12}{'p50 ms':>9}{'p99 ms':>9}{'requests':>10}")
    for callers in (1, 4):
        found = under_load(sent, callers=callers, total=400 if quick else 2000)
        for name, one in found.items():
            share, tail = one.per_s / found["hello"].per_s, one.p99_ms / one.p50_ms
            aims = f"   aims: {_said(-share, -SHARE_OF_HELLO)} of hello; p99/p50 {_said(tail, TAIL)}"
            print(
                f"{callers:7}  {name:10}{one.per_s:12.0f}{one.p50_ms:9.2f}{one.p99_ms:9.2f}{one.requests:10}"
                + (aims if name == "ebbmark" else "")
            )


def _print_start(found: Start) -> None:
    print("\nThe process")
    print(
        f"  start to first answer {found.first_answer_s:6.2f} s    aim: {_said(found.first_answer_s, FIRST_ANSWER_S)} s"
    )
    print(f"  memory then           {found.memory_mb:6.0f} MB   aim: {_said(found.memory_mb, MEMORY_MB)} MB")
    print(
        f"  memory 200 later      {found.memory_later_mb:6.0f} MB   aim: {_said(found.memory_later_mb, MEMORY_MB)} MB"
    )


def _said(found: float, aim: float) -> str:
    """The aim and whether it is met; negative figures are those that should be large."""
    words = f"at least {-aim:g}" if aim < 0 else f"at most {aim:g}"
    return f"{words} ({'met' if found <= aim else 'not met'})"


if __name__ == "__main__":
    sys.exit(main())
