"""CDS Hooks clients: who they are, and that each token is used once."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest

from ebbmark.keys import read_public_keys
from ebbmark.record.sign_in import FixedKeys
from ebbmark.web.authentication import ClientJwt, checked_client
from ebbmark.web.shared_store import SeenTokens
from ebbmark.web.token_check import TokenRefusal, TokenRules, TrustedParty
from issued_tokens import NOW_S, Issuer, forged, hmac_signed

ENDPOINT = "https://peep.example/cds-services/peep-trial"
JKU = "https://ehr.example/jwks.json"
EHR = Issuer.new("ES384", name="https://ehr.example")
OTHER_EHR = Issuer.new("RS384", name="https://other-ehr.example")


def party(issuer: Issuer, *addresses: str) -> TrustedParty:
    keys = read_public_keys(json.dumps({"keys": [issuer.jwk]}).encode()) or ()
    return TrustedParty(FixedKeys(keys), frozenset(addresses))


RULES = TokenRules({EHR.name: party(EHR, JKU), OTHER_EHR.name: party(OTHER_EHR)}, frozenset({"ES384", "RS384"}))


def sent(issuer: Issuer = EHR, headers: dict[str, Any] | None = None, **changes: object) -> str:
    wanted = {"aud": ENDPOINT, "sub": None, "client_id": None, "scope": None, "nbf": None, **changes}
    return f"Bearer {issuer.token(headers, **wanted)}"


def check(
    authorization: str | None, seen: SeenTokens | None = None, *, at_s: float = NOW_S, endpoint: str = ENDPOINT
) -> ClientJwt | TokenRefusal | None:
    return asyncio.run(
        checked_client(
            authorization, endpoint_url=endpoint, rules=RULES, seen=SeenTokens() if seen is None else seen, at_s=at_s
        )
    )


@pytest.mark.parametrize("issuer", [EHR, OTHER_EHR], ids=["ES384", "RS384"])
def test_a_known_client_is_let_in(issuer: Issuer) -> None:
    assert check(sent(issuer)) == ClientJwt(issuer.name)


def test_its_tenant_is_told() -> None:
    assert check(sent(tenant="ward-7")) == ClientJwt(EHR.name, "ward-7")


def test_the_scheme_is_read_in_any_case() -> None:
    assert check(sent().replace("Bearer", "bearer")) == ClientJwt(EHR.name)


def test_a_token_bound_to_a_key_is_no_plain_bearer_token() -> None:
    assert check(sent(cnf={"jkt": "0ZcOCORZNYy-DWpqq30jZyJGHTN0d2HglBV3uiguA4I"})) is TokenRefusal.BOUND


@pytest.mark.parametrize("authorization", [None, "", "Bearer", "Bearer ", "Basic dXNlcjp3b3Jk"])
def test_without_a_token_there_is_nobody(authorization: str | None) -> None:
    assert check(authorization) is None


@pytest.mark.parametrize("aud", [ENDPOINT + "/", ENDPOINT + "/feedback", "https://peep.example/cds-services", None])
def test_a_token_for_another_address_is_refused(aud: str | None) -> None:
    assert check(sent(aud=aud)) is TokenRefusal.AUDIENCE


def test_a_token_for_the_call_is_none_for_the_feedback() -> None:
    assert check(sent(), endpoint=f"{ENDPOINT}/feedback") is TokenRefusal.AUDIENCE


@pytest.mark.parametrize(
    "authorization", [sent(exp=None), sent(iat=None), sent(jti=None), sent(iss=None)], ids=["exp", "iat", "jti", "iss"]
)
def test_each_claim_of_the_standard_is_needed(authorization: str) -> None:
    assert check(authorization) is TokenRefusal.CLAIMS


@pytest.mark.parametrize("jti", ["", "x" * 201])
def test_a_name_that_is_empty_or_endless_is_none(jti: str) -> None:
    assert check(sent(jti=jti)) is TokenRefusal.CLAIMS


@pytest.mark.parametrize(
    ("changes", "refusal"),
    [
        ({"exp": NOW_S - 31}, TokenRefusal.EXPIRED),
        ({"iat": NOW_S + 31}, TokenRefusal.NOT_YET),
        ({"nbf": NOW_S + 31}, TokenRefusal.NOT_YET),
        ({"exp": NOW_S + 631}, TokenRefusal.TOO_LONG_LIVED),
        ({"iat": NOW_S - 86_431}, TokenRefusal.ISSUED_LONG_AGO),
        ({"iss": "https://stranger.example"}, TokenRefusal.ISSUER),
    ],
)
def test_a_token_at_the_wrong_time_or_from_a_stranger_is_refused(
    changes: dict[str, Any], refusal: TokenRefusal
) -> None:
    assert check(sent(**changes)) is refusal


def test_the_key_of_one_client_does_not_speak_for_another() -> None:
    impostor = Issuer(EHR.kid, "RS384", OTHER_EHR.key, EHR.name)

    assert check(sent(impostor)) is TokenRefusal.UNKNOWN_KEY


def test_unsigned_and_symmetric_tokens_are_refused() -> None:
    claims = EHR.claims(aud=ENDPOINT)

    assert check("Bearer " + forged({"alg": "none", "kid": "k1"}, claims)) is TokenRefusal.ALGORITHM
    assert (
        check("Bearer " + hmac_signed({"alg": "HS384", "kid": "k1"}, claims, EHR.public_pem)) is TokenRefusal.ALGORITHM
    )


def test_only_the_listed_address_of_the_keys_may_be_named() -> None:
    assert check(sent(headers={"jku": JKU})) == ClientJwt(EHR.name)
    assert check(sent(headers={"jku": "https://evil.example/jwks.json"})) is TokenRefusal.KEY_SET_ADDRESS
    # Its keys are in a file: the address is passed over, and nothing is fetched from it.
    assert check(sent(OTHER_EHR, headers={"jku": JKU})) == ClientJwt(OTHER_EHR.name)


def test_a_token_is_used_once() -> None:
    seen, token = SeenTokens(), sent()

    assert check(token, seen) == ClientJwt(EHR.name)
    assert check(token, seen) is TokenRefusal.REPLAYED
    assert check(token, seen, at_s=NOW_S + 319) is TokenRefusal.REPLAYED


def test_another_token_with_the_same_name_is_refused_too() -> None:
    seen = SeenTokens()

    assert check(sent(jti="one"), seen) == ClientJwt(EHR.name)
    assert check(sent(jti="one", exp=NOW_S + 100), seen) is TokenRefusal.REPLAYED
    assert check(sent(jti="two"), seen) == ClientJwt(EHR.name)


def test_two_clients_may_use_the_same_name() -> None:
    seen = SeenTokens()

    assert check(sent(jti="one"), seen) == ClientJwt(EHR.name)
    assert check(sent(OTHER_EHR, jti="one"), seen) == ClientJwt(OTHER_EHR.name)


def test_a_token_that_was_refused_is_not_remembered() -> None:
    seen = SeenTokens()

    assert check(sent(aud="https://elsewhere.example", jti="one"), seen) is TokenRefusal.AUDIENCE
    assert check(sent(jti="one"), seen) == ClientJwt(EHR.name)


def test_what_expired_is_forgotten_and_what_has_not_is_never() -> None:
    seen = SeenTokens(most=2)

    assert check(sent(jti="one", exp=NOW_S + 10), seen) == ClientJwt(EHR.name)
    assert check(sent(jti="two", exp=NOW_S + 300), seen) == ClientJwt(EHR.name)
    assert check(sent(jti="three", exp=NOW_S + 300), seen) is TokenRefusal.TOO_MANY
    assert check(sent(jti="three", exp=NOW_S + 300), seen, at_s=NOW_S + 41) == ClientJwt(EHR.name)
    assert check(sent(jti="two", exp=NOW_S + 300), seen, at_s=NOW_S + 41) is TokenRefusal.REPLAYED
