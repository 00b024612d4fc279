"""A thousand write-backs to a record under faults, counted.

`PYTHONPATH=tests python -m live.fault_run [--writes 1000] [--answers 3] [--seed 5] [--in-memory]` from the root of the
project. Starts a record of its own (the Java one, or the tests' own in memory, which is many times faster), kills and
restarts it twice on the way, kills the processes that write, and writes several answers for each trial as the doors do.
Prints the counts, and ends with 1 if anything was doubled, halved, current twice, reported wrongly or left unsettled.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import httpx

from ebbmark.record.write_back import WriteState
from live.faulty_writing import Outcome, Plan, run
from live.record_server import RunningRecord, load_own_codes, start_record, stop_record
from live.written_once import Found, Verdict


def main() -> int:
    """Run, print, and judge."""
    asked = _asked()
    plan = Plan(
        writes=asked.writes,
        repeats=asked.writes // 10,
        crowds=max(2, asked.writes // 200),
        at_once=asked.at_once,
        seed=asked.seed,
        restarts=2,
        hurry=asked.hurry,
        answers=asked.answers,
        deaf=asked.deaf,
        kills=asked.kills,
    )
    with tempfile.TemporaryDirectory() as folder:
        record = _RestartedRecord(Path(folder), in_memory=asked.in_memory)
        began_s = time.monotonic()
        try:
            outcome = asyncio.run(run(plan, record.base_url, prefix="run", restart=record.restart))
        finally:
            record.stop()
    for line in lines_of(outcome, plan):
        _say(line)
    _say(f"It took {time.monotonic() - began_s:.0f} s.")
    return 0 if outcome.clean else 1


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Write to a real record under faults and count what became of it.")
    parser.add_argument("--writes", type=int, default=1000, help="different recommendations (1000)")
    parser.add_argument("--seed", type=int, default=5, help="of the faults (5)")
    parser.add_argument("--at-once", type=int, default=10, help="calls under way at the same time (10)")
    parser.add_argument("--hurry", type=float, default=1.0, help="divides the waits between attempts (1)")
    parser.add_argument("--answers", type=int, default=3, help="different recommendations for each trial (3)")
    parser.add_argument("--deaf", action="store_true", help="hear nothing of the record shortly before it is killed")
    parser.add_argument("--in-memory", action="store_true", help="the tests' own record instead of the Java one")
    parser.add_argument("--kills", type=float, default=0.05, help="share of the calls that kill their process (0.05)")
    return parser.parse_args()


class _RestartedRecord:
    """A record that is killed as a power cut would and started again on the same port and data."""

    def __init__(self, data: Path, *, in_memory: bool) -> None:
        self._start = partial(start_record, data=data, in_memory=in_memory)
        self._running: RunningRecord = self._start()
        load_own_codes(self._running.base_url)

    @property
    def base_url(self) -> str:
        return self._running.base_url

    async def restart(self) -> None:
        port = httpx.URL(self.base_url).port or 0
        _say("The record is killed ...")
        await asyncio.to_thread(stop_record, self._running, at_once=True)
        self._running = await asyncio.to_thread(self._start, port=port)
        _say("... and is back.")

    def stop(self) -> None:
        stop_record(self._running)


def lines_of(outcome: Outcome, plan: Plan) -> Iterator[str]:
    """The counts as text."""
    yield f"{plan.writes + plan.crowds} recommendations, {outcome.first.table.total()} write-backs, seed {plan.seed}"
    yield f"{outcome.attempts} attempts at writing; what became of every request on the way:"
    yield ""
    yield from _faults(outcome)
    yield ""
    yield from _table(outcome.first)
    yield ""
    yield "Sent again without faults, whatever no writer was told is there:"
    for (before, after), number in sorted(outcome.settled.items()):
        yield f"  {number:6}  told {before}, then {after}"
    yield ""
    yield "In the end:"
    yield from _table(outcome.last)
    yield ""
    wrong = (*outcome.first.false_reports, *outcome.last.false_reports)
    yield f"writers killed {outcome.killed}"
    yield f"current answers by trial, before and after: {dict(outcome.first.current)}, {dict(outcome.last.current)}"
    yield f"told unknown {outcome.first.told(WriteState.UNKNOWN)} of {outcome.first.table.total()}"
    for sentence, number in outcome.why_unknown.most_common(12):
        yield f"  {number:6}  {sentence}"
    yield f"doubles {outcome.first.doubles + outcome.last.doubles}"
    yield f"halves {outcome.first.halves + outcome.last.halves}"
    yield f"false reports {len(wrong)}"
    yield f"resources beyond those expected {outcome.strays or 0}"
    yield from wrong[:20]


def _faults(outcome: Outcome) -> Iterator[str]:
    for fault, number in outcome.counts.most_common():
        yield f"  {number:6}  {fault.value}"


def _table(verdict: Verdict) -> Iterator[str]:
    yield f"  {'told':15}" + "".join(f"{found.value:>17}" for found in Found)
    for state in WriteState:
        yield f"  {state.value:15}" + "".join(f"{verdict.table[state, found]:17}" for found in Found)


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
