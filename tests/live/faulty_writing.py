"""Write many recommendations to a real record through a proxy that breaks things, then look what the record holds."""

from __future__ import annotations

import asyncio
import re
from collections import Counter
from collections.abc import Awaitable, Callable, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from random import Random

import httpx

from ebbmark.record.write_back import WriteState
from live.fault_proxy import CALM, CROWDED, FAILING, MIXED, Fault, FaultProxy, Weather
from live.many_recommendations import jobs, load_inputs, talking_to
from live.writer_process import Writer
from live.written_once import Call, Found, Job, Verdict, census, found_of, look, look_when_settled, verdict_of

Restart = Callable[[], Awaitable[None]]

WRITERS_OF_ONE = 12
WRITERS = 4
SETTLING_S = 5.0  # the client's own shortest wait after a request that may have arrived
FLUSHED_S = 2.0
REPEATED_WITHIN = 8  # places behind the first in the queue, so that the two often meet


@dataclass(frozen=True, slots=True)
class Plan:
    """How much, how broken and how patient.

    Attributes:
        writes: different recommendations that are written once each.
        repeats: how many of them another writer sends a second time.
        crowds: further recommendations, each written by a dozen writers at once; the first without faults.
        at_once: calls under way at the same time otherwise.
        seed: of the faults and of what is repeated.
        restarts: how often the record is killed and started again.
        read_timeout_s: the client's patience with a reply [s].
        hurry: divides every wait of the client's between attempts; 1 waits as in earnest.
        answers: different recommendations for one trial, written at about the same time.
        kills: share of the calls whose process is killed on the way, with all that it is at.
        deaf: whether no reply of the record's is heard shortly before its end.
    """

    writes: int
    repeats: int
    crowds: int
    at_once: int
    seed: int
    restarts: int = 0
    read_timeout_s: float = 5.0
    hurry: float = 1.0
    answers: int = 3
    kills: float = 0.05
    deaf: bool = False


SETTLED = {
    (WriteState.WRITTEN, Found.WHOLE),
    (WriteState.ALREADY_THERE, Found.WHOLE),
    (WriteState.SUPERSEDED, Found.WHOLE),
    (WriteState.SUPERSEDED, Found.NOTHING),
}
"""What may be told, and be there, once everything was sent again in peace."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run brought.

    Attributes:
        first: the verdict once every writer had been told.
        last: the verdict once whatever was not told as written had been sent again, without faults.
        settled: what those were told first and then, counted once per recommendation.
        counts: how often each fault happened.
        attempts: requests that the writers sent under faults.
        strays: resources of any type beyond those expected; a negative number is missing.
        killed: calls whose process was killed.
        why_unknown: what was said where nobody knew, without its numbers.
    """

    first: Verdict
    last: Verdict
    settled: Counter[tuple[str, str]]
    counts: Counter[Fault]
    attempts: int
    strays: dict[str, int]
    killed: int
    why_unknown: Counter[str]

    @property
    def clean(self) -> bool:
        """Nothing doubled, halved, reported wrongly, written elsewhere, left unsettled, or current twice."""
        return self.first.clean and self.last.clean and set(self.last.table) <= SETTLED and not self.strays


async def run(plan: Plan, base_url: str, *, prefix: str, restart: Restart | None = None) -> Outcome:
    """Load, write under faults, look, send again in peace what was not told as written, and look again.

    Args:
        plan: how much and how broken.
        base_url: of the record itself.
        prefix: begins the ids of what is loaded; new for each run on one record.
        restart: kills the record and starts it again behind the same address.
    """
    every = jobs(prefix, plan.writes + plan.crowds, answers=plan.answers)
    with talking_to(base_url) as record:
        await asyncio.to_thread(load_inputs, record, prefix, len(every))
        before, held = await asyncio.to_thread(_seen, record)
        async with AsyncExitStack() as stack:
            writing = await _writing(stack, plan, base_url)
            await _under_faults(writing, every[: plan.writes], every[plan.writes :], plan, restart)
            calls, counts = list(writing.calls), Counter(writing.proxy.counts)
            await writing.proxy.release()
            first = verdict_of(calls, await asyncio.to_thread(look_when_settled, record), killed=writing.killed_jobs)
            told = {call.job.name for call in calls if call.told_there}
            open_jobs = [job for job in every if job.name not in told]
            writing.kills = 0.0
            await writing.write(open_jobs, CALM, at_once=2)
            again = writing.calls[len(calls) :]
        after, held_after = await asyncio.to_thread(_seen, record)
    expected = Counter(kind for job in every for kind, _ in job.own_keys)
    expected["Device"] = len({key for key in held_after if key[0] == "Device"} - held.keys())
    expected["List"] = len({job.patient for job in every})
    # Superseded answers that were never written are nowhere; each change has a Provenance of its own.
    for job in (one for one in every if found_of(one, held_after) is Found.NOTHING):
        expected.subtract(kind for kind, _ in job.own_keys)
    ours = of_jobs(every)
    expected["Provenance"] += sum(
        len(stored) - len(held.get((kind, token), ()))
        for (kind, token), stored in held_after.items()
        if kind == "Provenance" and token not in ours
    )
    return Outcome(
        first=first,
        last=verdict_of([*(call for call in calls if call.told_there), *again], held_after),
        settled=Counter((_told_last(call.job, calls), call.outcome.state.value) for call in again),
        counts=counts,
        attempts=sum(call.outcome.attempts for call in calls),
        strays={kind: extra for kind in after if (extra := after[kind] - before[kind] - expected[kind])},
        killed=writing.killed,
        why_unknown=Counter(
            _without_numbers(call.outcome.sentence) for call in calls if call.outcome.state is WriteState.UNKNOWN
        ),
    )


def of_jobs(every: Sequence[Job]) -> frozenset[str]:
    """Tokens of everything that is written of these recommendations."""
    return frozenset(token for job in every for _, token in job.keys)


def _without_numbers(sentence: str) -> str:
    return re.sub(r"\d+", "N", sentence.partition(" Sending the same again")[0])


def _told_last(job: Job, calls: Sequence[Call]) -> str:
    told = [call.outcome.state.value for call in calls if call.job.name == job.name]
    return told[-1] if told else "nothing, killed"


def _seen(record: httpx.Client) -> tuple[Counter[str], dict[tuple[str, str], list[dict[str, object]]]]:
    return census(record), look(record)


class _Writing:
    """A few processes that write in front of one proxy; `calls` holds every call that ended."""

    def __init__(self, proxy: FaultProxy, writers: Sequence[Writer], plan: Plan) -> None:
        self.proxy = proxy
        self.calls: list[Call] = []
        self.kills = plan.kills
        self.killed = 0
        self.killed_jobs: list[Job] = []
        self._writers = writers
        self._plan = plan
        self._random = Random(plan.seed)

    async def write(self, work: Sequence[Job], weather: Weather, *, at_once: int) -> None:
        """Write all, so many at a time, and come back when nothing is on its way any more."""
        self.proxy.weather = weather
        queue = iter(enumerate(work))

        async def hand_on() -> None:
            for number, job in queue:
                writer = self._writers[number % len(self._writers)]
                call = asyncio.create_task(writer.write(job.transaction))
                if self._random.random() < self.kills:
                    await asyncio.wait([call], timeout=self._random.uniform(0.0, 1.5))
                    await writer.kill()
                outcome = await call
                if outcome is None:
                    self.killed += 1
                    self.killed_jobs.append(job)
                else:
                    self.calls.append(Call(job, outcome))

        async with asyncio.TaskGroup() as group:
            for _ in range(at_once):
                group.create_task(hand_on())
        await self.proxy.idle()


async def _writing(stack: AsyncExitStack, plan: Plan, base_url: str) -> _Writing:
    proxy = await stack.enter_async_context(
        FaultProxy(
            httpx.URL(base_url).port or 80,
            seed=plan.seed,
            read_timeout_s=plan.read_timeout_s,
            repeat_after_s=SETTLING_S / plan.hurry,
        )
    )
    writers = [Writer(proxy.base_url, read_timeout_s=plan.read_timeout_s, hurry=plan.hurry) for _ in range(WRITERS)]
    for writer in writers:
        stack.push_async_callback(writer.kill)
    return _Writing(proxy, writers, plan)


async def _under_faults(
    writing: _Writing, single: Sequence[Job], crowded: Sequence[Job], plan: Plan, restart: Restart | None
) -> None:
    """Crowds first, while not even the Device is there; then the long queue, through changing weather."""
    for number, job in enumerate(crowded):
        await writing.write([job] * WRITERS_OF_ONE, MIXED if number else CALM, at_once=WRITERS_OF_ONE)
    work = _with_repeats(single, plan)
    mixed, failing = len(work) * 6 // 10, len(work) * 85 // 100
    done = len(writing.calls) + writing.killed
    marks = [done + mixed * (number + 1) // (plan.restarts + 1) for number in range(plan.restarts)]
    restarting = asyncio.create_task(_restart_at(writing, plan, marks, restart))
    await writing.write(work[:mixed], MIXED, at_once=plan.at_once)
    await restarting
    await writing.write(work[mixed:failing], FAILING, at_once=plan.at_once)
    await writing.write(work[failing:], CROWDED, at_once=plan.at_once)


async def _restart_at(writing: _Writing, plan: Plan, marks: Sequence[int], restart: Restart | None) -> None:
    for mark in marks:
        while len(writing.calls) + writing.killed < mark:
            await asyncio.sleep(0.05)
        assert restart is not None
        # What the record confirms must outlive it. Where its database writes later than that, nothing that it says
        # shortly before its end is heard; it goes on committing until then.
        writing.proxy.deaf = plan.deaf
        await asyncio.sleep(FLUSHED_S)
        await restart()
        writing.proxy.deaf = False


def _with_repeats(single: Sequence[Job], plan: Plan) -> list[Job]:
    random = Random(plan.seed)
    work = list(single)
    for job in random.sample(list(single), plan.repeats):
        work.insert(work.index(job) + random.randint(1, REPEATED_WITHIN), job)
    return work
