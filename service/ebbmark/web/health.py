"""Health endpoints for the probes of an orchestrator, in the pattern of liveness and readiness.

* live: the process runs.
* ready: it takes requests. The site's files and keys are read before it listens, so that it is ready once it answers.
  A record that does not answer makes it `degraded`, not unready: questions that bring their data are still answered,
  and taking every replica away would end those, too. For a startup probe use ready.

Both are answered while the service is full, in the event loop: `ready` then says `load: full`. It stays ready, since
requests too many are told to come back by themselves, and all replicas that fill up at once would all be taken away.

The record is looked at in the background, at most every `LOOK_EVERY_S`, after a probe asked: no caller waits for it,
and no number of callers makes more calls.

Source: the difference between the two is Kubernetes' (https://kubernetes.io/docs/concepts/workloads/pods/probes/).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from enum import Enum

from fastapi import APIRouter
from fastapi.responses import JSONResponse

from ebbmark import __version__
from ebbmark.record.client import RecordClient, Reply
from ebbmark.telemetry.current import set_gauge
from ebbmark.telemetry.measured import Measured
from ebbmark.web.load import Load

__all__ = ["LOOK_EVERY_S", "RecordLook", "RecordState", "health_router"]

LOOK_EVERY_S = 15.0
"""This project's choice."""


class RecordState(Enum):
    """What is known about the record."""

    NONE = "none-configured"
    NOT_LOOKED_AT = "not-looked-at-yet"
    ANSWERS = "answers"
    SILENT = "does-not-answer"


class RecordLook:
    """Whether the record answers, by its CapabilityStatement.

    Args:
        record: to look at; None where none is configured.
        steady_s: seconds that never run back.
    """

    def __init__(self, record: RecordClient | None, steady_s: Callable[[], float]) -> None:
        self.state = RecordState.NONE if record is None else RecordState.NOT_LOOKED_AT
        self._record = record
        self._steady_s = steady_s
        self._due_s = float("-inf")
        self._looking: asyncio.Task[None] | None = None

    def look_soon(self) -> None:
        """Begin to look where the last look is long ago, and do not wait for it."""
        if self._record is None or self._steady_s() < self._due_s:
            return
        if self._looking is None or self._looking.done():
            self._due_s = self._steady_s() + LOOK_EVERY_S
            self._looking = asyncio.create_task(self._look(self._record))

    async def _look(self, record: RecordClient) -> None:
        answer = await record.send("GET", "metadata")
        answers = isinstance(answer, Reply) and answer.status < 500
        self.state = RecordState.ANSWERS if answers else RecordState.SILENT
        set_gauge(Measured.RECORD_REACHABLE, float(answers))

    async def aclose(self) -> None:
        """Look no more."""
        if self._looking is not None:
            self._looking.cancel()
            await asyncio.wait([self._looking])


def health_router(look: RecordLook, load: Load) -> APIRouter:
    """The routes below `/health`."""
    router = APIRouter(prefix="/health", tags=["health"])

    @router.get("/live", summary="The process runs", response_class=JSONResponse)
    async def live() -> dict[str, str]:
        """Answer that the process runs."""
        return {"status": "live", "version": __version__}

    @router.get("/ready", summary="The process can answer", response_class=JSONResponse)
    async def ready() -> dict[str, str]:
        """Answer that requests are taken, how full the service is, and whether the record answers."""
        look.look_soon()
        degraded = look.state is RecordState.SILENT
        return {
            "status": "degraded" if degraded else "ready",
            "version": __version__,
            "record": look.state.value,
            "load": "full" if load.full else "free",
        }

    return router
