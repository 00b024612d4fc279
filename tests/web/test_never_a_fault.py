"""No address, query string, header, cookie or short body, at any door, meets a fault of this service.

All doors are open here: the FHIR operations, CDS Hooks, launches, the pages of a record and of the demo. The texts are
those that parsers of numbers, times, names and addresses stumble over, beside whatever else is drawn.
"""

from __future__ import annotations

import json
import logging
from functools import cache
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from starlette.types import ASGIApp

from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from web.asking import Reply, ask

ISS = "https://record.example/fhir"
TAB = "A" * 22
PATHS = [
    "/launch", "/launch/standalone", "/launch/callback", "/launch/callback/x", f"/app/{TAB}/", f"/app/{TAB}/running",
    f"/app/{TAB}/leave", "/demo/", "/demo/clear-closing", "/demo/clear-closing/plan", "/demo/clear-closing/record",
    "/demo/running.1/running", "/demo/learning", "/fhir/metadata", "/fhir/$titrate-peep", "/fhir/$next-step",
    "/fhir/$replay", "/fhir/PlanDefinition/x", "/cds-services", "/cds-services/peep-trial",
    "/cds-services/peep-trial/feedback", "/health/live", "/openapi.json", "/.well-known/jwks.json", "/look/style.css",
]  # fmt: skip
ODD = [
    "", "http://xn--a/", "https://xn--/", "http://[::1", "http://[::1]:x/", "https://a:0/", "//", "http://\u0130/",
    "9" * 310, "1e999", "-1", "NaN", "9999-12-31T23:59:59-14:00", "0000-00-00", "\u00b2", "\u0663", "\ud7ff", "%ff",
    "%00", "a" * 5000, "Patient/..;/x", "{" * 900, "=", ";;", '"', "\x7f",
]  # fmt: skip
texts = st.one_of(st.sampled_from(ODD), st.text(max_size=30))
NAMES = [
    "iss", "launch", "state", "code", "error", "next", "_format", "with-report", "fragment", "v", "accept", "cookie",
    "lung", "seed", "steps", "end",
]  # fmt: skip
HEADERS = [
    "accept", "content-type", "content-encoding", "host", "origin", "authorization", "cookie", "if-none-match",
    "ebbmark-read", "ebbmark-drawn", "sec-fetch-site", "traceparent", "expect", "transfer-encoding", "x-forwarded-for",
]  # fmt: skip


@cache
def every_door() -> ASGIApp:
    clients = [{"iss": ISS, "client_id": "c"}]
    return create_app(Settings.model_validate({"demo": True, "smart_clients": clients, "cds_origins": ["https://a"]}))


@pytest.fixture(autouse=True)
def _silence(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.CRITICAL)


@cache
def prefetch_keys() -> tuple[str, ...]:
    service, *_ = ask(every_door(), method="GET", path="/cds-services", headers={"host": "127.0.0.1"}).json["services"]
    return tuple(service["prefetch"])


def without_fault(reply: Reply) -> None:
    # A record that cannot be reached (502), or is too slow to answer (503), is no fault of this service.
    assert reply.status < 500 or reply.status in (502, 503), (reply.status, reply.body[:300])


def in_latin(text: str) -> str:
    return text.encode("utf-8", "surrogatepass").decode("latin-1").replace("\r", "").replace("\n", "")


@settings(max_examples=400, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    method=st.sampled_from(["GET", "POST", "HEAD", "OPTIONS", "PUT", "X"]),
    path=st.sampled_from(PATHS),
    more=st.one_of(st.just(""), texts),
    query=st.lists(st.tuples(st.sampled_from(NAMES), texts), max_size=4),
    headers=st.lists(st.tuples(st.sampled_from(HEADERS), texts), max_size=4),
    body=st.one_of(st.just(b""), st.binary(max_size=40), texts.map(lambda text: json.dumps({"x": text}).encode())),
)
@example("GET", "/launch", "", [("iss", "http://xn--a/"), ("launch", "x")], [], b"")
@example("GET", "/demo/running.", "\u00b2/running", [], [], b"")
@example("GET", "/demo/running.", "999999999999/running", [], [], b"")
def test_no_request_meets_a_fault(
    method: str, path: str, more: str, query: list[tuple[str, str]], headers: list[tuple[str, str]], body: bytes
) -> None:
    asked = "&".join(f"{name}={quote(value.encode('utf-8', 'surrogatepass'))}" for name, value in query)
    given_headers = [("host", "127.0.0.1"), *[(name, in_latin(value)) for name, value in headers]]

    without_fault(ask(every_door(), body, method=method, path=path + more, query=asked, headers=given_headers))


@settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
@given(query=st.binary(max_size=60).map(lambda raw: raw.decode("latin-1")), path=st.sampled_from(PATHS))
def test_no_query_string_of_bytes_meets_a_fault(query: str, path: str) -> None:
    without_fault(ask(every_door(), method="GET", path=path, query=quote(query, safe="%&=;+"), headers=[]))


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(tab=st.sampled_from([TAB, "x"]), name=st.sampled_from(["", ".1", ".2", "-launch"]), value=texts)
def test_no_cookie_meets_a_fault(tab: str, name: str, value: str) -> None:
    named = f"ebbmark-launch-{tab}" if name == "-launch" else f"ebbmark-{tab}{name}"
    cookie = [("cookie", f"{named}={in_latin(value)}; ebbmark-{tab}=1.{in_latin(value)}"), ("host", "127.0.0.1")]

    for path in (f"/app/{tab}/", f"/app/{tab}/leave", f"/launch/callback?state={tab}.x"):
        address, _, query = path.partition("?")
        without_fault(ask(every_door(), method="GET", path=address, query=query, headers=cookie))


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    members=st.dictionaries(
        st.sampled_from(["hook", "hookInstance", "fhirServer", "context", "prefetch", "fhirAuthorization"]),
        st.recursive(
            st.one_of(texts, st.integers(), st.floats(allow_nan=False), st.none(), st.booleans()),
            lambda inner: st.one_of(
                st.lists(inner, max_size=3),
                st.dictionaries(
                    st.sampled_from(["patientId", "userId", "encounterId", "access_token", "token_type", "expires_in"]),
                    inner,
                    max_size=4,
                ),
            ),
            max_leaves=8,
        ),
    ),
    server=st.one_of(texts, st.sampled_from(ODD)),
    page=st.sampled_from(ODD),
)
@example({}, "http://xn--a/", "")
@example({}, "https://record.example/fhir", "http://xn--a/")
def test_no_call_of_a_hook_meets_a_fault(members: dict[str, object], server: str, page: str) -> None:
    bundle = {"resourceType": "Bundle", "type": "searchset", "link": [{"relation": "next", "url": page}]}
    call = {
        "hook": "patient-view",
        "hookInstance": "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea",
        "fhirServer": server,
        "fhirAuthorization": {"access_token": "x", "token_type": "Bearer", "expires_in": 300},
        "context": {"userId": "Practitioner/a", "patientId": "p"},
        "prefetch": dict.fromkeys(prefetch_keys(), bundle),
        **members,
    }
    body = json.dumps(call, default=str).encode()

    without_fault(
        ask(every_door(), body, path="/cds-services/peep-trial", headers={"content-type": "application/json"})
    )
