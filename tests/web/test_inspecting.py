"""The administrator's page of what is read of charted data."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest
import respx

from ebbmark.fhir.reading.request import RequestContext
from ebbmark.settings import Issuer as TrustedIssuer
from ebbmark.settings import Settings
from ebbmark.use_cases.inspection import inspect
from ebbmark.web.app import create_app
from fhir_builders import Json, height, patient, to_bytes, trial_bundle, trial_observations
from issued_tokens import ISSUER, Issuer
from record.searchable_record import BASE, SearchableRecord
from web.asking import ask, plain_app

ADMINISTRATOR = "ebbmark/inspect"
ISSUES = Issuer.new()
NAME = "Margarethe"


def local(code: str, display: str) -> Json:
    return {
        **trial_observations()[0],
        "id": "local",
        "code": {"coding": [{"system": "https://hospital.example/codes", "code": code, "display": display}]},
    }


def test_data_that_are_sent_are_told_as_the_command_line_tells_them() -> None:
    sent = to_bytes(trial_bundle())
    found = inspect(sent, RequestContext(time.time()))

    text = ask(plain_app(), sent, path="/inspect", headers={"accept": "text/plain"})
    values = ask(plain_app(), sent, path="/inspect", query="_format=json", headers={})

    assert (text.status, text.body.decode()) == (200, found.text)
    assert values.json == json.loads(json.dumps(found.values))


def test_the_page_of_a_patient_of_the_record_holds_counts_and_no_name_and_escapes_what_it_shows() -> None:
    app = create_app(Settings(record_base_url=BASE))
    charted = [
        {**patient(), "name": [{"family": NAME}]},
        height(),
        *trial_observations(),
        local("x1", "<script>alert(1)</script>"),
    ]
    with respx.mock(assert_all_called=False) as router:
        SearchableRecord(charted).attach(router)
        hours = f"hours={24 * 31}"
        page = ask(app, method="GET", path="/inspect/Patient/p1", query=hours, headers={"accept": "text/html"})

    told = page.body.decode()
    assert (page.status, page.headers["content-type"].partition(";")[0]) == (200, "text/html")
    assert "Searched: Observation" in told
    assert NAME not in told
    assert "<script" not in told
    assert "script-src" not in page.headers["content-security-policy"]
    assert "default-src 'none'" in page.headers["content-security-policy"]


@pytest.mark.parametrize(
    ("path", "query", "status", "says"),
    [
        ("/inspect/Patient/p1", "hours=0", 400, "at most 744"),
        ("/inspect/Patient/p1", "hours=nan", 400, "at most 744"),
        ("/inspect/Patient/p1", "hours=1e9", 400, "at most 744"),
        ("/inspect/Patient/p1", "_format=xml", 406, "concept-map"),
        ("/inspect/Patient/p1", "", 422, "no record system is configured"),
    ],
)
def test_what_cannot_be_asked_says_what_can(path: str, query: str, status: int, says: str) -> None:
    reply = ask(plain_app(), method="GET", path=path, query=query, headers={})

    assert reply.status == status
    assert says in reply.body.decode()


@pytest.mark.parametrize(
    ("scope", "claims", "status"),
    [
        (ADMINISTRATOR, {"scope": f"system/Observation.rs {ADMINISTRATOR}"}, 200),
        (ADMINISTRATOR, {"scope": None, "groups": ["icu-it"]}, 200),
        (ADMINISTRATOR, {"scope": "system/Observation.rs"}, 403),
        (ADMINISTRATOR, {"scope": "system/*.cruds"}, 403),
        (None, {"scope": f"system/Observation.rs {ADMINISTRATOR}"}, 403),
    ],
)
def test_only_administrators_of_the_sites_rule_are_told(
    tmp_path: Path, scope: str | None, claims: dict[str, object], status: int
) -> None:
    keys = tmp_path / "keys.json"
    keys.write_text(json.dumps({"keys": [ISSUES.jwk]}))
    roles: dict[str, tuple[str, ...]] = {"icu-it": ("system/Observation.rs", ADMINISTRATOR)}
    trusted = TrustedIssuer(issuer=ISSUER, jwks_file=keys, roles=roles)
    app = create_app(
        Settings(issuers=(trusted,), base_url="https://peep.example", administrator_scope=scope),
    )
    now_s = int(time.time())
    token = ISSUES.sign(ISSUES.claims(**{"iat": now_s, "nbf": now_s, "exp": now_s + 60, **claims}))

    reply = ask(app, to_bytes(trial_bundle()), path="/inspect", headers={"authorization": f"Bearer {token}"})

    assert reply.status == status


def test_nobody_without_a_token_is_told(tmp_path: Path) -> None:
    keys = tmp_path / "keys.json"
    keys.write_text(json.dumps({"keys": [ISSUES.jwk]}))
    app = create_app(Settings(issuers=(TrustedIssuer(issuer=ISSUER, jwks_file=keys),), base_url="https://peep.example"))

    assert ask(app, to_bytes(trial_bundle()), path="/inspect").status == 401


def test_of_a_patient_of_the_record_it_tells_what_the_titration_reads_there() -> None:
    app = create_app(Settings(record_base_url=BASE))
    with respx.mock(assert_all_called=False) as router:
        SearchableRecord([patient(), height(), *trial_observations()]).attach(router)
        told = ask(app, method="GET", path="/inspect/Patient/p1", query=f"hours={24 * 31}", headers={}).body.decode()

    # The trial is of months ago: it is among what is profiled, and not of the time that the question reads.
    assert "As $titrate-peep reads the record: no answer." in told
