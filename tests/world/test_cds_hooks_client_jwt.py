"""The example JWT of the standard's text is accepted for what it is, and for nothing else.

Source: CDS Hooks 2.0, "Trusting CDS Clients", Example (HL7/cds-hooks-hl7-site, docs/2.0/index.md): header, payload,
public key and the complete token, typed as printed.
"""

from __future__ import annotations

import asyncio
import json

import pytest

from ebbmark.keys import read_public_keys
from ebbmark.record.sign_in import FixedKeys
from ebbmark.web.authentication import ClientJwt, checked_client
from ebbmark.web.shared_store import SeenTokens
from ebbmark.web.token_check import TokenRefusal, TokenRules, TrustedParty

ENDPOINT = "https://cds.example.org/cds-services/some-service"
EXPIRES_S = 1422568860
PUBLIC_KEY = {
    "kty": "EC",
    "use": "sig",
    "crv": "P-384",
    "kid": "example-kid",
    "x": "46SDH7Znh821wblCBglA61sNE9ZrHYKKt3qRtRTmSXyOI_FIGBLWrWa0GPUkDCEk",
    "y": "XMcRuuoGW7CXjQdy-F5i3FeBE0x9hPLdeFdSoDd3ELmx404tLX0VRRcqzAsPhXcI",
    "alg": "ES384",
}
PRINTED = (
    "eyJhbGciOiJFUzM4NCIsInR5cCI6IkpXVCIsImtpZCI6ImV4YW1wbGUta2lkIiwiamt1IjoiaHR0cHM6Ly9maGlyLWVoci5leGFtcGxlLmNvbS9q"
    "d2tfdXJpIn0.eyJpc3MiOiJodHRwczovL2ZoaXItZWhyLmV4YW1wbGUuY29tLyIsImF1ZCI6Imh0dHBzOi8vY2RzLmV4YW1wbGUub3JnL2Nkcy1zZX"
    "J2aWNlcy9zb21lLXNlcnZpY2UiLCJleHAiOjE0MjI1Njg4NjAsImlhdCI6MTMxMTI4MDk3MCwianRpIjoiZWUyMmIwMjEtZTFiNy00NjExLWJhNWIt"
    "OGVlYzZhMzNhYzFlIiwidGVuYW50IjoiMmRkZDZjM2EtOGU5YS00NGM2LWEzMDUtNTIxMTFhZDMwMmEyIn0.d1WfLjGRKlcWB94l9do4cM8REXeYJL"
    "L6SGUBO8VHZhfM8mwKYP70EMxJ67War4TQblEpaQrp11wx5p7oPFm2ETYgCicS84vXWEIYTdjooZdooCSDf2L8-i4awdoUwiEb"
)
RULES = TokenRules(
    {
        "https://fhir-ehr.example.com/": TrustedParty(
            FixedKeys(read_public_keys(json.dumps({"keys": [PUBLIC_KEY]}).encode()) or ()),
            frozenset({"https://fhir-ehr.example.com/jwk_uri"}),
        )
    },
    frozenset({"ES384", "RS384"}),
    # The printed example was issued three years before it expires.
    oldest_s=float("inf"),
)


def checked(token: str = PRINTED, *, endpoint: str = ENDPOINT, at_s: float = EXPIRES_S - 300) -> object:
    return asyncio.run(
        checked_client(f"Bearer {token}", endpoint_url=endpoint, rules=RULES, seen=SeenTokens(), at_s=at_s)
    )


def test_the_example_is_accepted_with_its_tenant() -> None:
    assert checked() == ClientJwt("https://fhir-ehr.example.com/", "2ddd6c3a-8e9a-44c6-a305-52111ad302a2")


def test_it_has_expired_since() -> None:
    assert checked(at_s=EXPIRES_S + 31) is TokenRefusal.EXPIRED


@pytest.mark.parametrize("endpoint", ["https://cds.example.org/cds-services", f"{ENDPOINT}/feedback"])
def test_it_is_for_one_address(endpoint: str) -> None:
    assert checked(endpoint=endpoint) is TokenRefusal.AUDIENCE


def test_one_changed_character_and_the_signature_does_not_fit() -> None:
    assert checked(PRINTED[:-6] + ("A" if PRINTED[-6] != "A" else "B") + PRINTED[-5:]) is TokenRefusal.SIGNATURE
