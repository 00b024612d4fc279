"""Bounds on what is taken at once: open connections, requests and bytes in progress, and answers being computed.

| what | limit |
|---|---|
| a head, from its first byte or the opening of the connection | `HEAD_S` |
| a connection between two requests | `IDLE_S` |
| a body | `body.LONGEST_WAIT_S` |
| a response that nobody reads, after it is complete | `IDLE_S` and `FLUSH_S` |
| open connections | `connections_at_once` |
| requests in progress, and bytes of their bodies | `Load` (load shedding) |
| answers that wait for the thread, of one caller | `WorkPool` |

The server beneath (uvicorn, h11) has none of these. A proxy in front must refuse a caller that opens connections faster
than they time out, limit connections per address, and end TLS.

A body counts from the arrival of each piece until its response is sent, so that what is being read, what waits and what
is computed are bounded together. Its Content-Length is looked at beforehand, but not counted: whoever announces a body
and sends none takes nothing from others. Nor does a request count as in progress while its body is on the way: a
hundred clients that send half of one keep nobody out. One body alone is always taken, up to its own limit.

Answers are computed on one worker thread, so that the event loop stays free. Callers take turns (fair queueing by round
robin). A thread cannot be stopped: work that outlives its deadline runs to its end, and its caller is told to come
back; work that has not begun by then is never begun. A thread, not a process: a process would hold a second copy of all
tables. One thread, not more: beside eight of the worst bodies, 95 % of the calls of health took up to 28 ms with one
thread and up to 151 ms with two, and one answered more bodies.

Source: RFC 9112 section 9.5 (time-outs of connections); RFC 6585, RFC 9110 sections 15.6.4 and 10.2.3 (503,
Retry-After). Load shedding and turns of callers are common practice, no published source; the numbers are this
project's choice.
"""

from __future__ import annotations

import asyncio
import math
import threading
from collections import OrderedDict, deque
from collections.abc import Callable
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextvars import ContextVar, copy_context
from dataclasses import dataclass
from functools import partial
from typing import Any, ParamSpec, TypeVar, cast

from uvicorn.protocols.http.h11_impl import H11Protocol

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.telemetry.measured import Measured, count

P = ParamSpec("P")
T = TypeVar("T")

RETRY_AFTER_S = 2
"""When to ask again [s]."""

CALLER: ContextVar[str] = ContextVar("caller", default="")
"""Whose request this is: issuer and subject of the token, or the network address where sign-in is off."""


class Refused(Rejected):
    """A refusal that HTTP accompanies with headers.

    Attributes:
        not_admitted: why the caller was not let in, as one word of ours; empty for every other refusal.
    """

    def __init__(self, problem: Problem, headers: dict[str, str], not_admitted: str = "") -> None:
        super().__init__((problem,))
        self.headers = headers
        self.not_admitted = not_admitted


def _come_back(kind: ProblemKind, found: str, accepted: str, sentence: str) -> Refused:
    return Refused(Problem(kind, "", found, accepted, sentence), {"Retry-After": str(RETRY_AFTER_S)})


HEAD_S = 10.0
IDLE_S = 5
FLUSH_S = 20.0

_TOO_MANY = (
    b"HTTP/1.1 503 Service Unavailable\r\ncontent-type: text/plain\r\nretry-after: 2\r\nconnection: close\r\n"
    b"content-length: 47\r\n\r\nToo many connections are open; ask again in 2 s"
)


class _Bounded(H11Protocol):
    """A connection that is given up where a head, the next request or a reader of the response does not come."""

    most, head_s = 0, HEAD_S
    _head: asyncio.TimerHandle | None = None
    _flush: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if len(self.connections) > self.most:
            transport.write(_TOO_MANY)
            self._give_up()
            return
        self._head = self.loop.call_later(self.head_s, self._give_up)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        waits = self.cycle is None or self.cycle.response_complete
        if not waits:
            self._disarm()
        elif self._head is None and not self.transport.is_closing():
            self._head = self.loop.call_later(self.head_s, self._give_up)

    def connection_lost(self, exc: Exception | None) -> None:
        self._disarm()
        if self._flush is not None:
            self._flush.cancel()
        super().connection_lost(exc)

    def timeout_keep_alive_handler(self) -> None:
        super().timeout_keep_alive_handler()
        self._give_up()

    def _give_up(self) -> None:
        self.transport.close()
        # Closing waits until what was written is read: not for ever.
        self._flush = self._flush or self.loop.call_later(FLUSH_S, self.transport.abort)

    def _disarm(self) -> None:
        if self._head is not None:
            self._head.cancel()
            self._head = None


def bounded_protocol(most_connections: int, head_s: float = HEAD_S) -> type[asyncio.Protocol]:
    """The protocol class for uvicorn.

    Args:
        most_connections: open at once; one more is told to come back, and closed.
    """
    limits = {"most": most_connections, "head_s": head_s}
    return cast("type[asyncio.Protocol]", type("BoundedConnection", (_Bounded,), limits))


@dataclass(slots=True)
class Load:
    """Requests in progress and bytes of their bodies.

    Attributes:
        reading: those of them whose body is not there yet; connections bound their number.
    """

    most_requests: int = 100
    most_bytes: int = 16_000_000
    requests: int = 0
    reading: int = 0
    held_bytes: int = 0

    @property
    def full(self) -> bool:
        """Whether a request is told to come back, the one that asks this counted."""
        return self.requests - self.reading > self.most_requests or self.held_bytes >= self.most_bytes

    def require_room(self, announced_bytes: int, *, has_body: bool) -> None:
        """Refuse a request that has just come where it is one too many, or its body too large beside the others.

        Raises:
            Refused: 503.
        """
        self._require_requests(has_body)
        self._require_bytes(announced_bytes, own_bytes=0)

    def body_there(self) -> None:
        """Count a request as in progress, its body having come.

        Raises:
            Refused: 503, with it more would be in progress than may be.
        """
        self.reading -= 1
        self._require_requests()

    def take(self, size_bytes: int, *, own_bytes: int) -> None:
        """Count a piece of a body.

        Args:
            own_bytes: of the same body so far.

        Raises:
            Refused: 503, with it more would be held than may be.
        """
        self._require_bytes(size_bytes, own_bytes=own_bytes)
        self.held_bytes += size_bytes

    def _require_requests(self, more: int = 0) -> None:
        if self.requests - self.reading + more > self.most_requests:
            raise _busy("requests", f"at most {self.most_requests} in progress")

    def _require_bytes(self, size_bytes: int, *, own_bytes: int) -> None:
        alone = self.held_bytes == own_bytes
        if size_bytes and not alone and self.held_bytes + size_bytes > self.most_bytes:
            raise _busy("bytes", f"bodies of at most {self.most_bytes:,} bytes together")


def _busy(what: str, accepted: str) -> Refused:
    sentence = f"Too many {what} are in progress; ask again in {RETRY_AFTER_S} s."
    return _come_back(ProblemKind.BUSY, f"more {what} at once than are taken", accepted, sentence)


MOST_OF_ONE = 50
"""Requests of one caller that may wait; this project's choice."""


class WorkPool:
    """The thread that computes answers, how long a caller waits for one, and how many of one caller may wait."""

    def __init__(self, deadline_s: float, most_of_one: int = MOST_OF_ONE) -> None:
        self.deadline_s = deadline_s
        self.most_of_one = most_of_one
        self._waiting: OrderedDict[str, deque[tuple[Future[Any], Callable[[], Any]]]] = OrderedDict()
        self._lock = threading.RLock()  # what is very short ends while it is handed over
        self._busy = False
        self._new_thread = partial(ThreadPoolExecutor, 1, thread_name_prefix="answers")
        self._thread = self._new_thread()

    async def run(self, work: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
        """Do this work on the thread, and wait for what it returns or raises.

        Raises:
            Refused: 503, it was not done within the deadline, or too many of this caller wait.
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
                return await asyncio.wrap_future(self._queued(CALLER.get(), call))
        except TimeoutError:
            found, accepted = f"no answer within {most_s:.3g} s", "a request at a quieter time, or a smaller one"
            sentence = f"The answer was not ready within {most_s:.3g} seconds; nothing was answered or written."
            raise _come_back(ProblemKind.OUT_OF_TIME, found, accepted, sentence) from None
        finally:
            count(Measured.WORK_WAITED_FOR, amount=-1)

    def close(self) -> None:
        """Begin nothing of what waits; an application that is started once more has a new thread."""
        ended, self._thread = self._thread, self._new_thread()
        ended.shutdown(wait=False, cancel_futures=True)
        with self._lock:
            waiting = [future for calls in self._waiting.values() for future, _ in calls]
            self._waiting.clear()
            self._busy = False
        for future in waiting:
            future.cancel()

    def _queued(self, caller: str, call: Callable[[], T]) -> Future[T]:
        future: Future[T] = Future()
        with self._lock:
            calls = self._waiting.setdefault(caller, deque())
            if len(calls) >= self.most_of_one:
                found, accepted = "more requests of one caller at once than wait", f"at most {self.most_of_one}"
                sentence = f"Too many requests of this caller wait for an answer; ask again in {RETRY_AFTER_S} s."
                raise _come_back(ProblemKind.BUSY, found, accepted, sentence)
            calls.append((future, call))
        self._begin_next()
        return future

    def _begin_next(self) -> None:
        """Hand the thread, where it is free, the first of what the caller whose turn it is waits for."""
        with self._lock:
            while self._waiting and not self._busy:
                caller, calls = self._waiting.popitem(last=False)
                future, call = calls.popleft()
                if calls:
                    self._waiting[caller] = calls
                if future.set_running_or_notify_cancel():
                    self._busy = True
                    self._thread.submit(call).add_done_callback(partial(self._ended, future))

    def _ended(self, future: Future[Any], done: Future[Any]) -> None:
        error = CancelledError() if done.cancelled() else done.exception()
        if error is None:
            future.set_result(done.result())
        else:
            future.set_exception(error)
        self._busy = False
        self._begin_next()
