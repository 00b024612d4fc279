"""What an operator may get wrong, or a machine lack, is said in one sentence; nothing is half started."""

from __future__ import annotations

from pathlib import Path

import pytest
from starlette.types import Receive, Scope, Send

from certificates import certificates
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from ebbmark.web.boundary import Boundary
from ebbmark.web.limits import Load
from web.asking import ask

RECORD = "https://record.example/fhir"
ISSUER = {"issuer": "https://login.example"}


def sentence(**settings: object) -> str:
    """Why the service does not start."""
    with pytest.raises(ValueError, match=r"\w") as told:
        create_app(Settings.model_validate(settings))
    return str(told.value)


def test_a_client_certificate_that_expired_is_named_with_its_day(tmp_path: Path) -> None:
    made = certificates(tmp_path, days=-2)

    said = sentence(
        record_base_url=RECORD, record_certificate=str(made.client), record_certificate_key=str(made.client_key)
    )

    assert said.startswith("EBBMARK_RECORD_CERTIFICATE: the client certificate expired on 20")


def test_a_client_certificate_that_is_valid_is_taken(tmp_path: Path) -> None:
    made = certificates(tmp_path)
    files = {"record_certificate": str(made.client), "record_certificate_key": str(made.client_key)}

    assert create_app(Settings.model_validate({"record_base_url": RECORD, **files}))


@pytest.mark.parametrize("setting", ["signing_keys", "cookie_keys"])
def test_a_key_that_cannot_be_read_is_named_with_its_file_and_the_reason(setting: str, tmp_path: Path) -> None:
    smart = [{"iss": RECORD, "client_id": "ebbmark"}]

    said = sentence(
        **{setting: [str(tmp_path)]}, smart_clients=smart, authentication="bearer", base_url="https://a.example"
    )

    assert said == f"EBBMARK_{setting.upper()}: {tmp_path} cannot be read (Is a directory)"


def test_a_key_that_is_none_is_named_without_its_content(tmp_path: Path) -> None:
    file = tmp_path / "key.json"
    file.write_text('{"keys": "SECRET"}')

    said = sentence(signing_keys=[str(file)])

    assert "EBBMARK_SIGNING_KEYS" in said
    assert "SECRET" not in said


def test_the_key_set_of_an_issuer_that_is_not_there_is_named_with_its_file(tmp_path: Path) -> None:
    said = sentence(issuers=[{**ISSUER, "jwks_file": str(tmp_path / "none.json")}])

    assert said == f"jwks_file of an issuer: {tmp_path / 'none.json'} cannot be read (No such file or directory)"


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"record_token": "a", "record_client_id": "b", "record_base_url": RECORD}, "EBBMARK_RECORD_TOKEN or"),
        ({"record_client_id": "b", "record_base_url": RECORD}, "EBBMARK_SIGNING_KEYS"),
        ({"sign_results": True}, "EBBMARK_SIGN_RESULTS needs a key"),
        ({"audit_to": "record"}, "EBBMARK_RECORD_BASE_URL is not set"),
        ({"shared_store_url": "https://store.example"}, "EBBMARK_SHARED_STORE_URL"),
        ({"record_certificate_key": "/a.pem"}, "EBBMARK_RECORD_CERTIFICATE_KEY is set without"),
        ({"host": "0.0.0.0"}, "Sign-in is off"),  # noqa: S104 - that it does not listen there
        ({"host": "0.0.0.0", "issuers": [{**ISSUER, "jwks_url": "https://login.example/k"}]}, "EBBMARK_BASE_URL"),  # noqa: S104
    ],
)
def test_settings_that_contradict_or_lack_one_another_are_named(settings: dict[str, object], says: str) -> None:
    said = sentence(**settings)

    assert says in said
    assert "\n" not in said


def test_a_request_for_which_there_is_no_memory_gets_one_sentence_and_the_next_one_is_answered() -> None:
    lacking = iter([True])

    async def works(_: Scope, __: Receive, send: Send) -> None:
        if next(lacking, False):
            raise MemoryError("of 1954-03-17")
        await send({"type": "http.response.start", "status": 204, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    load = Load()
    app = Boundary(works, load=load)

    first, second = ask(app, method="GET"), ask(app, method="GET")

    assert (first.status, second.status) == (500, 204)
    assert b"The service failed and gives no answer." in first.body
    assert b"1954" not in first.body
    assert load.requests == 0
