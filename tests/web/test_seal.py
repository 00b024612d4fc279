"""What a browser keeps for us: nobody reads it, nobody changes it, and it serves one purpose."""

from __future__ import annotations

import json

import msgspec
from hypothesis import given
from hypothesis import strategies as st
from joserfc import jwe
from joserfc.jwk import OctKey

from ebbmark.web.launch.session import LONGEST_VALUE, CookieRules, new_cookie_key_set, random_seal, read_cookie_keys

SEAL = random_seal()
TAB = "A" * 22


@given(st.dictionaries(st.text(), st.text()))
def test_what_was_sealed_opens(value: dict[str, str]) -> None:
    assert SEAL.open(SEAL.close(value, purpose="p"), dict[str, str], purpose="p") == value


@given(st.text() | st.text(alphabet="AB.-_=").filter(lambda text: text.count(".") == 4))
def test_anything_else_opens_as_nothing(text: str) -> None:
    assert SEAL.open(text, object, purpose="p") is None


@given(st.text(min_size=1))
def test_a_purpose_opens_only_its_own(other: str) -> None:
    sealed = SEAL.close("secret", purpose="p")

    assert (SEAL.open(sealed, str, purpose=other) is None) == (other != "p")


def test_another_shape_opens_as_nothing() -> None:
    assert SEAL.open(SEAL.close("text", purpose="p"), int, purpose="p") is None


def test_the_same_value_is_never_sealed_alike() -> None:
    assert len({SEAL.close("same", purpose="p") for _ in range(20)}) == 20


def test_a_stranger_with_the_key_can_read_it_as_the_standard_says() -> None:
    keys = new_cookie_key_set()
    (jwk,) = json.loads(json.dumps(keys))["keys"]

    sealed = read_cookie_keys([msgspec.json.encode(keys)]).close({"a": 1}, purpose="p")

    opened = jwe.decrypt_compact(sealed, OctKey.import_key({"kty": "oct", "k": jwk["k"]}))
    assert opened.plaintext == b'{"a":1}'
    assert opened.protected == {"alg": "dir", "enc": "A256GCM", "kid": jwk["kid"], "typ": "p"}


def test_another_algorithm_is_not_opened_even_with_the_right_key() -> None:
    keys = new_cookie_key_set()
    (jwk,) = json.loads(json.dumps(keys))["keys"]
    header = {"alg": "A256GCMKW", "enc": "A256GCM", "kid": jwk["kid"], "typ": "p"}
    key = OctKey.import_key({"kty": "oct", "k": jwk["k"]})

    sealed = jwe.encrypt_compact(header, b'"x"', key, algorithms=["A256GCMKW", "A256GCM"])

    assert read_cookie_keys([msgspec.json.encode(keys)]).open(sealed, str, purpose="p") is None


@given(st.integers(min_value=1, max_value=LONGEST_VALUE + 500), st.booleans(), st.booleans())
def test_a_value_of_any_length_comes_back_from_its_cookies_or_is_refused(
    length: int, secure: bool, framed: bool
) -> None:
    rules = CookieRules(secure=secure, framed=framed)
    value = "".join("abcdefghij"[number % 10] for number in range(length))

    cookies = rules.session(TAB, value)

    if length > LONGEST_VALUE:
        assert cookies is None
    else:
        assert cookies is not None
        kept = dict(cookie.partition(";")[0].split("=", 1) for cookie in cookies)
        assert rules.session_in(kept, TAB) == value
        assert max(map(len, cookies)) <= 4096
