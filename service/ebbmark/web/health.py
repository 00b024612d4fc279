"""Health endpoints for the probes of an orchestrator, in the pattern of liveness and readiness.

* live: the process runs. For a startup probe, too.
* ready: it takes requests. The site's files and our own keys are read, and a first answer is computed, before it
  listens; where callers sign in, it is `starting` (503) until the public keys of one issuer are there, and once ready
  it stays so.
  A record, a shared store or an issuer that does not answer makes it `degraded`, not unready: what does not need it is
  still answered, and taking every replica away would end that, too.

Both are answered while the service is full, in the event loop: `ready` then says `load: full`. It stays ready, since
requests too many are told to come back by themselves, and all replicas that fill up at once would all be taken away.

Other systems are looked at in the background, at most every `LOOK_EVERY_S`, after a probe asked: no caller waits for
one, and no number of callers makes more calls.

Source: the difference between the two is Kubernetes' (https://kubernetes.io/docs/concepts/workloads/pods/probes/).
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from functools import partial
from typing import Any

from fastapi import APIRouter
from fastapi.responses import JSONResponse

from ebbmark import __version__
from ebbmark.record.client import RecordClient
from ebbmark.record.retry import Reply
from ebbmark.telemetry.measured import Measured, set_gauge
from ebbmark.web.limits import Load
from ebbmark.web.shared_store import SharedStore
from ebbmark.web.token_check import KeySource

LOOK_EVERY_S = 15.0
"""This project's choice."""
_WORDS = {None: "not-looked-at-yet", True: "answers", False: "does-not-answer"}
KEYS_EVERY_S = 1.0
"""While there are none; between two failed fetches the source of the keys itself waits longer."""


class Probe:
    """Whether another system answers.

    Attributes:
        answers: when last looked at; None before that.
    """

    def __init__(self, ask: Callable[[], Awaitable[bool]], every_s: float, steady_s: Callable[[], float]) -> None:
        self.answers: bool | None = None
        self._ask = ask
        self._every_s = every_s
        self._steady_s = steady_s
        self._due_s = float("-inf")
        self._looking: asyncio.Task[None] | None = None

    def look_soon(self) -> None:
        """Begin to look where the last look is long ago, and do not wait for it."""
        if self._steady_s() >= self._due_s and (self._looking is None or self._looking.done()):
            self._due_s = self._steady_s() + self._every_s
            self._looking = asyncio.create_task(self._look())

    async def _look(self) -> None:
        self.answers = await self._ask()

    async def aclose(self) -> None:
        """Look no more."""
        if self._looking is not None:
            self._looking.cancel()
            await asyncio.wait([self._looking])


async def record_answers(record: RecordClient) -> bool:
    """Whether the record answers, by its CapabilityStatement."""
    answer = await record.send("GET", "metadata")
    answers = isinstance(answer, Reply) and answer.status < 500
    set_gauge(Measured.RECORD_REACHABLE, float(answers))
    return answers


class Probes:
    """All other systems that an answer may depend on.

    Args:
        issuers: the public keys of those whose tokens are accepted; empty where nobody signs in.
    """

    def __init__(
        self,
        record: RecordClient | None,
        store: SharedStore | None,
        issuers: Sequence[KeySource],
        steady_s: Callable[[], float],
    ) -> None:
        self._probes = {
            "record": Probe(partial(record_answers, record), LOOK_EVERY_S, steady_s) if record is not None else None,
            "shared-store": Probe(store.look, LOOK_EVERY_S, steady_s) if store is not None else None,
        }
        self._store = store
        self._issuers = issuers
        self._keys = Probe(self._fetch_keys, KEYS_EVERY_S, steady_s)
        self._had_keys = not issuers

    async def _fetch_keys(self) -> bool:
        # No key has this name: whether the set was fetched is all that is asked.
        await asyncio.gather(*(issuer.find("", "") for issuer in self._issuers if not issuer.there))
        return all(issuer.there for issuer in self._issuers)

    def look_soon(self) -> None:
        """Begin to look at all of them, where the last look is long ago."""
        self.fetch_keys_soon()
        for probe in self._probes.values():
            if probe is not None:
                probe.look_soon()

    def fetch_keys_soon(self) -> None:
        """Begin to fetch the keys of issuers that are not there."""
        if self._issuers:
            self._keys.look_soon()

    def found(self) -> dict[str, str]:
        """What is known: `status` first, then a word for each."""
        there = sum(issuer.there for issuer in self._issuers)
        self._had_keys = self._had_keys or there > 0
        keys = "some" if 0 < there < len(self._issuers) else "all" if there else "none"
        answers = {name: probe.answers for name, probe in self._probes.items() if probe is not None}
        if self._store is not None:
            # Every request asks it: what the last one met is newer than the last look.
            answers["shared-store"] = self._store.answers
        degraded = there < len(self._issuers) or False in answers.values()
        words = {name: _WORDS[answers[name]] if name in answers else "none-configured" for name in self._probes}
        status = "starting" if not self._had_keys else "degraded" if degraded else "ready"
        return {"status": status, **words, "issuer-keys": keys if self._issuers else "none-needed"}

    async def aclose(self) -> None:
        """Look no more."""
        for probe in (self._keys, *self._probes.values()):
            if probe is not None:
                await probe.aclose()


def _texts(name: str, description: str = "Successful Response") -> dict[str, Any]:
    """Texts by name, described here: so that the framework makes no model of them."""
    title = f"Response {name} Health {name.rpartition(' ')[2]} Get"
    schema = {"additionalProperties": {"type": "string"}, "type": "object", "title": title}
    return {"description": description, "content": {"application/json": {"schema": schema}}}


def health_router(probes: Probes, load: Load) -> APIRouter:
    """The routes below `/health`."""
    router = APIRouter(prefix="/health", tags=["health"])

    @router.get("/live", summary="The process runs", response_class=JSONResponse, responses={200: _texts("Live")})
    async def live() -> JSONResponse:
        """Answer that the process runs."""
        return JSONResponse({"status": "live", "version": __version__})

    @router.get(
        "/ready",
        summary="The process can answer",
        response_class=JSONResponse,
        responses={200: _texts("Ready"), 503: _texts("503 Ready", "Not yet: no issuer's keys are there.")},
    )
    async def ready() -> JSONResponse:
        """Answer that requests are taken, how full the service is, and which other systems answer."""
        probes.look_soon()
        found = probes.found()
        body = {**found, "version": __version__, "load": "full" if load.full else "free"}
        return JSONResponse(body, 503 if found["status"] == "starting" else 200)

    return router
