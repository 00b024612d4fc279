"""A worker thread with a deadline, on which answers are computed, so that the event loop stays free for others.

How many may wait for it is bounded at the outermost layer, by number and bytes (`boundary`, `load`). A thread
cannot be stopped: work that outlives its deadline runs to its end, and its caller is told to come back. Work that has
not begun by then is never begun.

A thread, not a process: the work is linear in a body of bounded size, and a process would hold a second copy of all
tables. One thread, not more: one interpreter runs one at a time, and the event loop needs its turn after every call of
the system; beside eight of the worst bodies, 95 % of the calls of health took up to 28 ms with one thread and up to
151 ms with two, and one answered more bodies.

Source: RFC 9110 sections 15.6.4 and 10.2.3 (503, Retry-After); load shedding is common practice, no published source.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from functools import partial
from typing import ParamSpec, TypeVar

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.telemetry.measured import Measured, count
from ebbmark.web.authentication import Refused

__all__ = ["RETRY_AFTER_S", "WorkPool"]

P = ParamSpec("P")
T = TypeVar("T")

RETRY_AFTER_S = 2
"""When to ask again [s]; this project's choice."""


class WorkPool:
    """The thread that computes answers, and how long a caller waits for one."""

    def __init__(self, deadline_s: float) -> None:
        self.deadline_s = deadline_s
        self._new_thread = partial(ThreadPoolExecutor, 1, thread_name_prefix="answers")
        self._thread = self._new_thread()

    async def run(self, work: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
        """Do this work on the thread, and wait for what it returns or raises.

        Raises:
            Refused: 503, it was not done within the deadline.
        """
        return await self.run_until(math.inf, work, *args, **named)

    async def run_until(self, until_s: float, work: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
        """The same for a request that must be answered by `until_s`, by the clock of the event loop [s]."""
        call = partial(copy_context().run, partial(work, *args, **named))
        count(Measured.WORK_WAITED_FOR)
        loop = asyncio.get_running_loop()
        most_s = max(0.0, min(self.deadline_s, until_s - loop.time()))
        try:
            async with asyncio.timeout(most_s):
                return await loop.run_in_executor(self._thread, call)
        except TimeoutError:
            found, accepted = f"no answer within {most_s:.3g} s", "a request at a quieter time, or a smaller one"
            sentence = f"The answer was not ready within {most_s:.3g} seconds; nothing was answered or written."
            problem = Problem(ProblemKind.OUT_OF_TIME, "", found, accepted, sentence)
            raise Refused(problem, {"Retry-After": str(RETRY_AFTER_S)}) from None
        finally:
            count(Measured.WORK_WAITED_FOR, amount=-1)

    def close(self) -> None:
        """Begin nothing of what waits; an application that is started once more has a new thread."""
        ended, self._thread = self._thread, self._new_thread()
        ended.shutdown(wait=False, cancel_futures=True)
