"""Every way in which a token can be wrong, and the one in which it is right."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.keys import PublicKey, read_public_keys
from ebbmark.record.sign_in import FixedKeys, KeyLookup
from ebbmark.web.token_check import Claims, TokenRefusal, TokenRules, TrustedParty, verified_claims
from issued_tokens import ISSUER, NOW_S, Issuer, forged, hmac_signed, segment

AUDIENCE = "https://peep.example/fhir"
KEY_SET_URL = "https://issuer.example/keys"
TRUSTED, STRANGER = Issuer.new(), Issuer.new()
RSA = Issuer.new("RS384", "rsa")
ACCEPTED = frozenset({"ES384", "RS384"})


def keys_of(*issuers: Issuer) -> FixedKeys:
    return FixedKeys(read_public_keys(json.dumps({"keys": [issuer.jwk for issuer in issuers]}).encode()) or ())


RULES = TokenRules({ISSUER: TrustedParty(keys_of(TRUSTED, RSA), frozenset({KEY_SET_URL}))}, ACCEPTED, leeway_s=30.0)


def judged(
    token: str, *, rules: TokenRules = RULES, audience: str = AUDIENCE, at_s: float = NOW_S
) -> Claims | TokenRefusal:
    return asyncio.run(verified_claims(token, rules=rules, audience=audience, at_s=at_s))


@pytest.mark.parametrize("issuer", [TRUSTED, RSA], ids=["ES384", "RS384"])
def test_a_good_token_is_accepted(issuer: Issuer) -> None:
    found = judged(issuer.token())

    assert isinstance(found, Claims)
    assert (found.iss, found.client_id, found.scope) == (ISSUER, "icu-dashboard", "system/Observation.rs")


@pytest.mark.parametrize("typ", ["JWT", "jwt", "at+jwt", "application/at+jwt", None])
def test_each_type_of_access_token_is_accepted(typ: str | None) -> None:
    assert isinstance(judged(TRUSTED.token({"typ": typ})), Claims)


def test_one_audience_among_several_is_enough() -> None:
    assert isinstance(judged(TRUSTED.token(aud=["https://other.example", AUDIENCE])), Claims)


def test_unknown_claims_and_headers_are_passed_over() -> None:
    assert isinstance(judged(TRUSTED.token({"x5t": "abc"}, acr="1", groups=["a"])), Claims)


@pytest.mark.parametrize("claim", ["scope", "scp"])
def test_scopes_may_be_an_array(claim: str) -> None:
    scopes = ["openid", "system/Observation.rs"]
    claims: dict[str, Any] = {"scope": None, claim: scopes}

    found = judged(TRUSTED.token(**claims))

    assert isinstance(found, Claims)
    assert getattr(found, claim) == scopes


@pytest.mark.parametrize("scope", [["system/Observation.rs", 1], [None], {"system/Observation.rs": True}, 7])
def test_a_scope_that_is_neither_text_nor_an_array_of_texts_is_refused(scope: object) -> None:
    assert isinstance(judged(TRUSTED.token(scope=scope)), TokenRefusal)


HEADER: dict[str, Any] = {"alg": "ES384", "kid": "k1", "typ": "JWT"}
GOOD = TRUSTED.claims()
NONE = [forged({**HEADER, "alg": alg}, GOOD) for alg in ("none", "None", "NONE", "nOnE", "")]


@pytest.mark.parametrize("token", NONE)
def test_a_token_that_nobody_signed_is_refused(token: str) -> None:
    assert judged(token) is TokenRefusal.ALGORITHM


@pytest.mark.parametrize("secret", [TRUSTED.public_pem, RSA.public_pem, json.dumps(TRUSTED.jwk).encode(), b""])
def test_a_public_key_used_as_a_shared_secret_is_refused(secret: bytes) -> None:
    token = hmac_signed({"alg": "HS256", "kid": "k1", "typ": "JWT"}, GOOD, secret)

    assert judged(token) is TokenRefusal.ALGORITHM


def test_a_symmetric_algorithm_is_refused_even_where_it_was_allowed_by_mistake() -> None:
    rules = TokenRules(RULES.parties, ACCEPTED | {"HS256", "none"})
    symmetric = hmac_signed({"alg": "HS256", "kid": "k1"}, GOOD, TRUSTED.public_pem)

    assert judged(symmetric, rules=rules) is TokenRefusal.UNKNOWN_KEY
    assert judged(NONE[0], rules=rules) is TokenRefusal.UNKNOWN_KEY


@pytest.mark.parametrize("algorithm", ["ES256", "RS256", "PS384"])
def test_a_sound_algorithm_that_is_not_accepted_here_is_refused(algorithm: str) -> None:
    other = Issuer.new(algorithm)
    rules = TokenRules({ISSUER: TrustedParty(keys_of(other))}, ACCEPTED)

    assert judged(other.token(), rules=rules) is TokenRefusal.ALGORITHM


def test_a_key_is_not_used_with_an_algorithm_that_is_not_its_own() -> None:
    token = forged({"alg": "RS384", "kid": "k1"}, GOOD, b"0" * 256)

    assert judged(token) is TokenRefusal.UNKNOWN_KEY


def test_the_key_of_somebody_else_does_not_fit() -> None:
    assert judged(STRANGER.token()) is TokenRefusal.SIGNATURE


@pytest.mark.parametrize("length", [0, 1, 95, 96, 97, 500])
def test_a_made_up_signature_does_not_fit(length: int) -> None:
    assert judged(forged(HEADER, GOOD, b"\x00" * length)) is TokenRefusal.SIGNATURE


def test_changed_claims_do_not_fit_their_signature() -> None:
    header, _, signature = TRUSTED.token().split(".")

    changed = f"{header}.{segment({**GOOD, 'scope': 'system/*.cruds'})}.{signature}"

    assert judged(changed) is TokenRefusal.SIGNATURE


@pytest.mark.parametrize(
    "headers",
    [
        {"jwk": STRANGER.jwk},
        {"x5c": ["MIIB"]},
        {"x5u": "https://evil.example/certificate"},
    ],
)
def test_a_key_that_the_token_brings_itself_is_not_looked_at(headers: dict[str, Any]) -> None:
    assert judged(STRANGER.token(headers)) is TokenRefusal.SIGNATURE


@pytest.mark.parametrize(
    ("headers", "refusal"),
    [
        ({"kid": "k2"}, TokenRefusal.UNKNOWN_KEY),
        ({"kid": "../../k1"}, TokenRefusal.UNKNOWN_KEY),
        ({"kid": ""}, TokenRefusal.NO_KEY_NAMED),
        ({"typ": "logout+jwt"}, TokenRefusal.TYPE),
        ({"typ": "JWE"}, TokenRefusal.TYPE),
        ({"jku": "https://evil.example/keys"}, TokenRefusal.KEY_SET_ADDRESS),
        ({"jku": KEY_SET_URL + "/"}, TokenRefusal.KEY_SET_ADDRESS),
    ],
)
def test_a_header_that_leads_elsewhere_is_refused(headers: dict[str, Any], refusal: TokenRefusal) -> None:
    assert judged(TRUSTED.token(headers)) is refusal


def test_an_address_beside_keys_from_a_file_is_passed_over_and_never_asked() -> None:
    with_file = TokenRules({ISSUER: TrustedParty(keys_of(TRUSTED))}, ACCEPTED)

    assert isinstance(judged(TRUSTED.token({"jku": "https://evil.example/keys"}), rules=with_file), Claims)


def test_the_known_address_of_the_key_set_may_be_named() -> None:
    assert isinstance(judged(TRUSTED.token({"jku": KEY_SET_URL})), Claims)


@pytest.mark.parametrize(
    "extra", [{"crit": ["exp"], "exp": 1}, {"crit": []}, {"b64": False, "crit": ["b64"]}, {"b64": True}]
)
def test_an_extension_that_must_be_understood_is_not_passed_over(extra: dict[str, Any]) -> None:
    token = forged({**HEADER, **extra}, GOOD, b"0" * 96)

    assert judged(token) is TokenRefusal.CRITICAL


@pytest.mark.parametrize(
    ("changes", "refusal"),
    [
        ({"iss": "https://issuer.example/"}, TokenRefusal.ISSUER),
        ({"iss": "https://ISSUER.example"}, TokenRefusal.ISSUER),
        ({"iss": ""}, TokenRefusal.ISSUER),
        ({"iss": None}, TokenRefusal.CLAIMS),
        ({"aud": "https://peep.example/fhir/"}, TokenRefusal.AUDIENCE),
        ({"aud": ["https://other.example"]}, TokenRefusal.AUDIENCE),
        ({"aud": []}, TokenRefusal.AUDIENCE),
        ({"aud": None}, TokenRefusal.AUDIENCE),
        ({"aud": [7]}, TokenRefusal.CLAIMS),
        ({"exp": None}, TokenRefusal.CLAIMS),
        ({"exp": NOW_S - 30}, TokenRefusal.EXPIRED),
        ({"exp": 0}, TokenRefusal.EXPIRED),
        ({"exp": -1e300}, TokenRefusal.EXPIRED),
        ({"nbf": NOW_S + 31}, TokenRefusal.NOT_YET),
        ({"iat": NOW_S + 31}, TokenRefusal.NOT_YET),
        ({"iat": NOW_S - 86_431}, TokenRefusal.ISSUED_LONG_AGO),
        ({"nbf": 1e300}, TokenRefusal.NOT_YET),
    ],
)
def test_a_claim_that_does_not_fit_is_refused(changes: dict[str, Any], refusal: TokenRefusal) -> None:
    assert judged(TRUSTED.token(**changes)) is refusal


@pytest.mark.parametrize(
    "claims",
    [
        {**GOOD, "exp": "2030-01-01"},
        {**GOOD, "exp": [NOW_S + 100]},
        {**GOOD, "exp": True},
        {**GOOD, "nbf": "soon"},
        {**GOOD, "iss": [ISSUER]},
        {**GOOD, "client_id": {"id": 1}},
    ],
)
def test_a_claim_of_the_wrong_form_is_refused(claims: dict[str, Any]) -> None:
    from joserfc import jwt
    from joserfc.jwk import ECKey

    token = jwt.encode(HEADER, claims, ECKey.import_key(TRUSTED.private_pem), algorithms=["ES384"])

    assert judged(token) is TokenRefusal.CLAIMS


@pytest.mark.parametrize("payload", [b"", b"[]", b"null", b"{", b'{"iss": "\xff"}', b'{"exp": NaN}', b"[" * 5000])
def test_a_payload_that_is_no_object_is_refused(payload: bytes) -> None:
    assert judged(forged(HEADER, payload, b"0" * 96)) in (TokenRefusal.CLAIMS, TokenRefusal.NOT_A_JWT)


@pytest.mark.parametrize(
    "number", [b"NaN", b"Infinity", b"-Infinity", b"1e999"], ids=lambda number: str(number, "ascii")
)
def test_an_expiry_that_is_no_number_never_counts_as_not_expired(number: bytes) -> None:
    payload = json.dumps(GOOD).encode().replace(str(GOOD["exp"]).encode(), number)
    signing_input = f"{segment(HEADER)}.{segment(payload)}"
    import jwt

    algorithm = jwt.get_algorithm_by_name("ES384")
    token = f"{signing_input}.{segment(algorithm.sign(signing_input.encode(), TRUSTED.key))}"

    assert judged(token) is TokenRefusal.CLAIMS


@pytest.mark.parametrize(
    "token",
    [
        "",
        "x",
        "a.b",
        "a.b.c",
        "a.b.c.d.e",
        "...",
        "grün.grün.grün",
        f"{segment([])}.{segment(GOOD)}.x",
        f"{segment({'kid': 'k1'})}.{segment(GOOD)}.x",
        f"{segment({'alg': 7})}.{segment(GOOD)}.x",
        f"{segment(HEADER)}.!!!!.{segment(b'0')}",
        f"{segment(HEADER)}.{segment(GOOD)}.!",
    ],
)
def test_what_is_no_token_is_refused_as_such(token: str) -> None:
    assert judged(token) in (TokenRefusal.NOT_A_JWT, TokenRefusal.SIGNATURE, TokenRefusal.CLAIMS)


@pytest.mark.parametrize("padding", [16_384, 1_000_000])
def test_a_huge_token_is_not_looked_into(padding: int) -> None:
    assert judged(TRUSTED.token(note="x" * padding)) is TokenRefusal.TOO_LONG


def test_a_clock_may_be_a_little_fast_or_slow() -> None:
    assert isinstance(judged(TRUSTED.token(exp=NOW_S - 29)), Claims)
    assert isinstance(judged(TRUSTED.token(nbf=NOW_S + 29, iat=NOW_S + 29)), Claims)


class _Nothing:
    """An issuer whose keys cannot be had."""

    there = False

    def __init__(self) -> None:
        self.asked: list[tuple[str, str]] = []

    async def find(self, kid: str, algorithm: str) -> PublicKey | KeyLookup:
        self.asked.append((kid, algorithm))
        return KeyLookup.UNAVAILABLE


def test_keys_that_cannot_be_had_are_not_the_tokens_fault() -> None:
    source = _Nothing()

    found = judged(TRUSTED.token(), rules=TokenRules({ISSUER: TrustedParty(source)}, ACCEPTED))

    assert found is TokenRefusal.KEYS_UNAVAILABLE
    assert source.asked == [("k1", "ES384")]


@pytest.mark.parametrize(
    "token", [NONE[0], TRUSTED.token({"jku": "https://evil.example"}), "x", TRUSTED.token(iss="x")]
)
def test_a_token_that_is_refused_anyway_makes_nobody_fetch_keys(token: str) -> None:
    source = _Nothing()

    judged(token, rules=TokenRules({ISSUER: TrustedParty(source, frozenset({KEY_SET_URL}))}, ACCEPTED))

    assert source.asked == []


@given(st.text(max_size=200) | st.binary(max_size=200).map(lambda raw: forged(raw, raw, raw)))
def test_no_text_at_all_is_accepted_or_breaks_the_check(token: str) -> None:
    assert isinstance(judged(token), TokenRefusal)


@given(st.data())
def test_no_changed_letter_goes_unnoticed(data: st.DataObject) -> None:
    good = TRUSTED_TOKEN
    place = data.draw(st.integers(0, len(good) - 1))
    letter = data.draw(st.characters(codec="ascii"))

    changed = good[:place] + letter + good[place + 1 :]
    found = judged(changed)

    # The last letter of a part can carry bits that its bytes do not use.
    assert isinstance(found, TokenRefusal) or same_bytes(changed, good)


TRUSTED_TOKEN = TRUSTED.token()


def same_bytes(one: str, other: str) -> bool:
    from joserfc.util import urlsafe_b64decode

    parts = [[urlsafe_b64decode(part.encode()) for part in token.split(".")] for token in (one, other)]
    return parts[0] == parts[1]


@pytest.mark.parametrize("refusal", TokenRefusal)
def test_each_refusal_is_a_sentence_that_a_header_can_hold(refusal: TokenRefusal) -> None:
    assert refusal.value.endswith(".")
    assert refusal.value.isascii()
    assert '"' not in refusal.value
