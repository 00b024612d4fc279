"""What the function is measured against: the framework alone, and the same job through the published FHIR models."""

from __future__ import annotations

from dataclasses import replace

from fastapi import FastAPI, Request, Response
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.coding import Coding
from fhir.resources.R4B.observation import Observation

from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request as Question
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.use_cases.titrate import titrate_request

_NO_CODE = Coding()

QUANTITIES = {
    "20077-4": Quantity.PEEP_SET,
    "76007-4": Quantity.TIDAL_VOLUME_EXPIRED,
    "76259-1": Quantity.PLATEAU_PRESSURE,
    "76531-3": Quantity.PEAK_PRESSURE,
}


def echo_app() -> FastAPI:
    """The same framework, which gives back what it got."""
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None)

    @app.post("/echo", response_class=Response)
    async def echo(request: Request) -> Response:
        return Response(await request.body(), media_type="application/fhir+json")

    return app


def hello_app() -> FastAPI:
    """The same framework, as its own first page shows it."""
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None)

    @app.get("/")
    async def hello() -> dict[str, str]:
        return {"hello": "world"}

    return app


def question_of(body: bytes, at_s: float) -> Question:
    """What our own reader makes of the request: whom it is about, and under which rules."""
    return read_request(TITRATE_PEEP, body, RequestContext(at_s))


def models_decode(body: bytes) -> Bundle:
    """Decode with the published models."""
    return Bundle.model_validate_json(body)


def models_way(body: bytes, asked: Question, recorded_s: float) -> bytes:
    """The same job with the published models on both sides; everything between is ours.

    It does less than our reader: the readings are picked by code without a look at status, unit, version, duplicates
    or subject, and the person is handed in. The first Observation is the height.
    """
    readings: list[Reading] = []
    resources = [entry.resource for entry in models_decode(body).entry or ()]
    observations = [resource for resource in resources if isinstance(resource, Observation)]
    for number, observation in enumerate(observations[1:]):
        when = observation.effectiveDateTime
        for holder in observation.component or (observation,):
            quantity = QUANTITIES.get(str((holder.code.coding or [_NO_CODE])[0].code))
            found = holder.valueQuantity
            if quantity is not None and found is not None and found.value is not None and when is not None:
                at_s = when.timestamp()
                readings.append(Reading(quantity, float(found.value), at_s, at_s, number))
    recommendation = titrate_request(replace(asked, readings=tuple(readings)))
    answer = Bundle.model_validate(write_bundle(recommendation, recorded_s=recorded_s))
    return answer.model_dump_json().encode()
