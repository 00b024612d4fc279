"""Only a plain count of none is taken for none."""

from __future__ import annotations

import asyncio
from urllib.parse import parse_qs

import httpx
import pytest
import respx

from ebbmark.record.client import RecordClient
from ebbmark.record.clinical_resources import nothing_stored_since
from ebbmark.record.connection import RecordSettings
from fhir_builders import Json

BASE = "https://record.example/fhir"
SINCE_S = 1_772_449_200.0  # 2026-03-02T11:00:00Z
NONE: Json = {"resourceType": "Bundle", "type": "searchset", "total": 0}
WARNED: Json = {
    **NONE,
    "entry": [{"search": {"mode": "outcome"}, "resource": {"resourceType": "OperationOutcome", "issue": []}}],
}


def nothing(reply: httpx.Response | Exception) -> tuple[bool, list[httpx.Request]]:
    async def asked() -> bool:
        async with RecordClient(RecordSettings(base_url=BASE, allowed_base_urls=(BASE,))) as client:
            return await nothing_stored_since("Patient/p1", SINCE_S, record=client)

    with respx.mock() as router:
        route = router.route(url__startswith=BASE).mock(side_effect=[reply])
        return asyncio.run(asked()), [call.request for call in route.calls]


def test_a_count_of_none_is_none() -> None:
    assert nothing(httpx.Response(200, json=NONE))[0]


@pytest.mark.parametrize(
    "reply",
    [
        httpx.Response(200, json={**NONE, "total": 1}),
        httpx.Response(200, json={"resourceType": "Bundle", "type": "searchset"}),
        httpx.Response(200, json={**NONE, "type": "collection"}),
        httpx.Response(200, json=WARNED),
        httpx.Response(200, json={"resourceType": "OperationOutcome", "issue": []}),
        httpx.Response(200, text="none"),
        httpx.Response(400, json=NONE),
        httpx.Response(401, json=NONE),
        httpx.Response(503, json=NONE),
        httpx.ConnectTimeout("late"),
    ],
    ids=["one", "no total", "no search", "a warning", "an outcome", "no FHIR", "400", "401", "503", "no reply"],
)
def test_anything_else_is_not(reply: httpx.Response | Exception) -> None:
    told, requests = nothing(reply)

    assert not told
    assert len(requests) == 1


def test_asked_is_of_some_time_before_the_moment_past_every_cache() -> None:
    _, (request,) = nothing(httpx.Response(200, json=NONE))

    assert parse_qs(request.url.query.decode()) == {
        "patient": ["Patient/p1"],
        "_lastUpdated": ["gt2026-03-02T10:59:45Z"],
        "_summary": ["count"],
    }
    assert request.headers["cache-control"] == "no-cache"
