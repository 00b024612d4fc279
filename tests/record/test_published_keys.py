"""Keys of others: fetched when needed, not more often, and refused when they are not what they should be."""

from __future__ import annotations

import json

import anyio
import httpx
import pytest
import respx

from ebbmark.keys import PublicKey, read_public_keys
from ebbmark.record.client import Exchange
from ebbmark.record.connection import Patience
from ebbmark.record.sign_in import FixedKeys, KeyLookup, PublishedKeys
from issued_tokens import Issuer
from record.signing_in import Clock

URL = "https://issuer.example/keys"
FIRST, SECOND = Issuer.new(kid="first"), Issuer.new(kid="second")


def key_set(*issuers: Issuer, **changes: object) -> bytes:
    return json.dumps({"keys": [{**issuer.jwk, **changes} for issuer in issuers]}).encode()


def published(clock: Clock) -> PublishedKeys:
    return PublishedKeys(URL, exchange=Exchange(Patience(max_response_bytes=10_000)), steady_s=clock)


@pytest.mark.anyio
async def test_a_set_is_fetched_once_and_kept(router: respx.MockRouter) -> None:
    route = router.get(URL).respond(200, content=key_set(FIRST))
    keys = published(clock := Clock())

    for _ in range(5):
        found = await keys.find("first", "ES384")
        clock.s += 100

    assert isinstance(found, PublicKey)
    assert (found.kid, found.algorithms) == ("first", frozenset({"ES384"}))
    assert route.call_count == 1


@pytest.mark.anyio
async def test_an_old_set_is_fetched_again(router: respx.MockRouter) -> None:
    route = router.get(URL).respond(200, content=key_set(FIRST))
    keys = published(clock := Clock())

    await keys.find("first", "ES384")
    clock.s += 601
    await keys.find("first", "ES384")

    assert route.call_count == 2


@pytest.mark.anyio
async def test_an_unknown_key_is_looked_for_once_and_a_rotation_found(router: respx.MockRouter) -> None:
    route = router.get(URL).mock(
        side_effect=[
            httpx.Response(200, content=key_set(FIRST)),
            httpx.Response(200, content=key_set(FIRST, SECOND)),
        ]
    )
    keys = published(clock := Clock())

    await keys.find("first", "ES384")
    clock.s += 1
    found = await keys.find("second", "ES384")

    assert isinstance(found, PublicKey)
    assert route.call_count == 2


@pytest.mark.anyio
async def test_many_unknown_keys_do_not_make_many_fetches(router: respx.MockRouter) -> None:
    route = router.get(URL).respond(200, content=key_set(FIRST))
    keys = published(clock := Clock())

    await keys.find("first", "ES384")
    found = [await keys.find(f"made-up-{number}", "ES384") for number in range(50)]
    clock.s += 29
    await keys.find("made-up", "ES384")
    within = route.call_count
    clock.s += 1
    await keys.find("made-up", "ES384")

    assert set(found) == {KeyLookup.UNKNOWN}
    assert (within, route.call_count) == (2, 3)


@pytest.mark.anyio
async def test_many_who_look_at_once_share_one_fetch(router: respx.MockRouter) -> None:
    found: list[PublicKey | KeyLookup] = []

    async def slow(_: httpx.Request) -> httpx.Response:
        await anyio.sleep(0.05)
        return httpx.Response(200, content=key_set(FIRST))

    route = router.get(URL).mock(side_effect=slow)
    keys = published(Clock())

    async def one() -> None:
        found.append(await keys.find("first", "ES384"))

    async with anyio.create_task_group() as group:
        for _ in range(20):
            group.start_soon(one)

    assert route.call_count == 1
    assert all(isinstance(one, PublicKey) for one in found)


@pytest.mark.anyio
@pytest.mark.parametrize(
    "reply",
    [
        httpx.Response(500, content=key_set(FIRST)),
        httpx.Response(200, content=b"<html>"),
        httpx.Response(200, content=b"[]"),
        httpx.Response(200, content=b'{"keys": "none"}'),
        httpx.Response(200, content=b" " * 10_001),
        httpx.Response(302, headers={"Location": "https://elsewhere.example/keys"}),
    ],
)
async def test_without_a_set_keys_are_not_available_rather_than_unknown(
    router: respx.MockRouter, reply: httpx.Response
) -> None:
    route = router.get(URL).mock(return_value=reply)
    keys = published(clock := Clock())

    first = await keys.find("first", "ES384")
    again = await keys.find("first", "ES384")
    clock.s += 5
    await keys.find("first", "ES384")

    assert (first, again) == (KeyLookup.UNAVAILABLE, KeyLookup.UNAVAILABLE)
    assert route.call_count == 2


@pytest.mark.anyio
async def test_an_old_set_serves_for_a_while_where_no_newer_can_be_had(router: respx.MockRouter) -> None:
    router.get(URL).mock(side_effect=[httpx.Response(200, content=key_set(FIRST)), *[httpx.Response(503)] * 2])
    keys = published(clock := Clock())

    await keys.find("first", "ES384")
    clock.s += 3600
    within = await keys.find("first", "ES384")
    clock.s += 10
    after = await keys.find("first", "ES384")

    assert isinstance(within, PublicKey)
    assert after is KeyLookup.UNAVAILABLE


@pytest.mark.anyio
async def test_a_key_that_was_withdrawn_is_unknown(router: respx.MockRouter) -> None:
    router.get(URL).mock(
        side_effect=[httpx.Response(200, content=key_set(FIRST)), httpx.Response(200, content=key_set(SECOND))]
    )
    keys = published(clock := Clock())

    await keys.find("first", "ES384")
    clock.s += 601

    assert await keys.find("first", "ES384") is KeyLookup.UNKNOWN


@pytest.mark.parametrize("url", ["http://issuer.example/keys", "file:///keys", "https://u:p@issuer.example/keys", ""])
def test_an_address_that_is_not_encrypted_or_not_plain_is_no_source(url: str) -> None:
    with pytest.raises(ValueError, match="the address of a key set"):
        PublishedKeys(url, exchange=Exchange(Patience()), steady_s=Clock())


@pytest.mark.anyio
async def test_a_file_is_a_source_too() -> None:
    keys = FixedKeys(read_public_keys(key_set(FIRST)) or ())

    assert isinstance(await keys.find("first", "ES384"), PublicKey)
    assert await keys.find("first", "RS384") is KeyLookup.UNKNOWN
    assert await keys.find("second", "ES384") is KeyLookup.UNKNOWN


SYMMETRIC = {"kty": "oct", "kid": "k", "k": "c2VjcmV0LXNlY3JldC1zZWNyZXQtc2VjcmV0", "alg": "HS256"}


@pytest.mark.parametrize(
    "jwk",
    [
        SYMMETRIC,
        {**FIRST.jwk, "use": "enc"},
        {**FIRST.jwk, "key_ops": ["sign"]},
        {**FIRST.jwk, "kid": ""},
        {**FIRST.jwk, "kid": 7},
        {**FIRST.jwk, "crv": "secp256k1"},
        {**FIRST.jwk, "x": "AAAA"},
        {**FIRST.jwk, "x": 7},
        {"kty": "RSA", "kid": "short", "n": "sXchDaQebHnPiGvyDOAT4saGEUetSyo9MKLOoWFsueri", "e": "AQAB"},
        {"kty": "OKP", "kid": "k", "crv": "Ed25519", "x": "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"},
        {"kid": "k"},
    ],
)
def test_a_key_that_cannot_check_signatures_here_is_passed_over(jwk: dict[str, object]) -> None:
    keys = read_public_keys(json.dumps({"keys": [jwk, SECOND.jwk]}).encode())

    assert [key.kid for key in keys or ()] == ["second"]


def test_an_rsa_key_below_2048_bits_is_passed_over() -> None:
    from cryptography.hazmat.primitives.asymmetric import rsa

    short = Issuer("short", "RS384", rsa.generate_private_key(public_exponent=65537, key_size=1024))  # noqa: S505

    assert read_public_keys(key_set(short)) == ()


def test_a_key_is_good_for_the_algorithms_of_its_kind_or_the_one_it_names() -> None:
    rsa, ec = Issuer.new("RS384", "rsa"), Issuer.new("ES256", "ec")
    unnamed = {**rsa.jwk, "kid": "any"}
    del unnamed["alg"]
    mislabelled = {**ec.jwk, "kid": "wrong", "alg": "HS256"}

    keys = read_public_keys(json.dumps({"keys": [rsa.jwk, ec.jwk, unnamed, mislabelled]}).encode()) or ()

    assert {key.kid: sorted(key.algorithms) for key in keys} == {
        "rsa": ["RS384"],
        "ec": ["ES256"],
        "any": ["PS256", "PS384", "PS512", "RS256", "RS384", "RS512"],
        "wrong": [],
    }
