"""Calling the CDS Hooks door in process, with requests of the standard's shape and a clock that stands still."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any

from fastapi import FastAPI
from starlette.types import ASGIApp

from bedside_builders import charted
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.codes import NO_CODE_MAP, CodeMap
from ebbmark.fhir.reading.request import NO_SITE, RequestContext, Site
from ebbmark.keys import SigningKey
from ebbmark.record.client import CallerRecords
from ebbmark.record.connection import Patience
from ebbmark.use_cases.from_record import ReadLimits
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.authentication import HooksAuthentication
from ebbmark.web.boundary import Boundary, rejected
from ebbmark.web.hooks.card import Where
from ebbmark.web.hooks.routes import FETCH_LIMITS, CallContext, HooksConfig, hooks_router
from ebbmark.web.limits import WorkPool
from ebbmark.web.shared_store import RequestRates, SeenTokens
from ebbmark.web.token_check import TokenRules
from fhir_builders import Json, at, bundle, height, observation, patient, trial_observations
from web.asking import Reply, ask

RECORD = "https://record.example/fhir"
CALL = "/cds-services/peep-trial"
JSON = {"content-type": "application/json", "accept": "application/json"}
INSTANCE = "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea"
DOCUMENTATION = "https://peep.example/about"
LAUNCH = "https://peep.example/launch"
PATIENCE = Patience(1.0, 1.0, 2.0)


def clock(minute: int) -> float:
    """A moment after the start of the trial [s since 1970-01-01T00:00:00Z]."""
    return datetime.fromisoformat(at(minute)).timestamp()


AFTER_S = clock(40)
"""A quarter of an hour after the trial's last reading."""


def hooks_app(
    *,
    at_s: float = AFTER_S,
    allowed: tuple[str, ...] = (RECORD,),
    rules: TokenRules | None = None,
    elsewhere_signed_in: bool = False,
    origins: tuple[str, ...] = (),
    rates: RequestRates | None = None,
    root: str = "http://127.0.0.1:8087",
    site: Site = NO_SITE,
    signer: SigningKey | None = None,
    launch: str = "",
    fetching: ReadLimits = FETCH_LIMITS,
    deadline_s: float = 55.0,
    patience: Patience = PATIENCE,
    steady_s: Callable[[], float] = lambda: 0.0,
    codes: CodeMap = NO_CODE_MAP,
) -> FastAPI:
    """The door alone, as the application has it, with a clock that stands still.

    Where it asks a real record, its lifespan closes the connections in the end.
    """
    entrance = HooksAuthentication(
        rules, root, SeenTokens(), elsewhere_signed_in, origins, rates, lambda: at_s, steady_s
    )
    callers = CallerRecords(allowed, patience=patience)
    answering = CallContext(
        RequestContext(0.0, site, code_map=codes),
        callers,
        Where(DOCUMENTATION, launch),
        WorkPool(20.0),
        signer,
        fetching,
        deadline_s,
    )

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        await callers.aclose()

    app = FastAPI(lifespan=lifespan)
    trail = AuditTrail(lambda: at_s)
    app.include_router(hooks_router(HooksConfig(entrance, answering, trail, lambda: at_s)))
    app.add_exception_handler(Rejected, rejected)
    app.add_middleware(Boundary)
    return app


def context(hook: str = "patient-view", **more: object) -> dict[str, object]:
    """The context of a hook; None takes an element out."""
    base: dict[str, object] = {"userId": "Practitioner/abc", "patientId": "p1"}
    if hook == "encounter-start":
        base["encounterId"] = "e1"
    merged = {**base, **more}
    return {name: value for name, value in merged.items() if value is not None}


def searchset(*resources: Json, **more: object) -> Json:
    """The results of a search, all on one page."""
    return {**bundle(*resources, kind="searchset"), "total": len(resources), **more}


def prefetch(*trial: Json, **parts: object) -> dict[str, object]:
    """What a client brings, a patient who bore every step well and has no Condition; `...` takes a key out."""
    mechanics = list(trial) or trial_observations()
    whole: dict[str, object] = {
        "patient": patient(),
        "heights": searchset(height()),
        "mechanics": searchset(*mechanics),
        "panels": searchset(),
        "circulation": searchset(*borne(mechanics)),
        "conditions": searchset(),
        "procedures": searchset(),
        **parts,
    }
    return {key: value for key, value in whole.items() if value is not ...}


def borne(trial: Sequence[Json], spo2: float = 94.0, mean: float = 75.0) -> list[Json]:
    """Saturation and mean arterial pressure at every moment of a trial."""
    times = dict.fromkeys(str(one["effectiveDateTime"]) for one in trial if "effectiveDateTime" in one)
    return [charted(when, f"vital-{place}", {"spo2": spo2, "map": mean}) for place, when in enumerate(times, start=1)]


def called(hook: str = "patient-view", **more: object) -> dict[str, object]:
    """A call of the standard's shape; `...` takes an element out."""
    whole: dict[str, object] = {
        "hook": hook,
        "hookInstance": INSTANCE,
        "context": context(hook),
        "prefetch": prefetch(),
        **more,
    }
    return {name: value for name, value in whole.items() if value is not ...}


def call(app: ASGIApp, body: object, *, path: str = CALL, headers: Mapping[str, str] = JSON) -> Reply:
    """Post one call."""
    content = body if isinstance(body, bytes) else json.dumps(body).encode()
    return ask(app, content, path=path, headers=headers)


def cards(reply: Reply) -> list[dict[str, Any]]:
    """The cards of a good reply."""
    assert reply.status == 200, reply.body
    found: list[dict[str, Any]] = reply.json["cards"]
    return found


def card(reply: Reply) -> dict[str, Any]:
    """The one card of a good reply."""
    (only,) = cards(reply)
    return only


def order(peep_cmh2o: float | None = 10.0, identity: str = "o1", **more: object) -> Json:
    """A draft ServiceRequest of PEEP."""
    built: Json = {
        "resourceType": "ServiceRequest",
        "id": identity,
        "status": "draft",
        "intent": "order",
        "code": {"coding": [{"system": "http://loinc.org", "code": "20077-4"}]},
        "subject": {"reference": "Patient/p1"},
        **more,
    }
    if peep_cmh2o is not None:
        built["quantityQuantity"] = observation("peep-set", peep_cmh2o)["valueQuantity"]
    return built
