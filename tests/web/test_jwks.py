"""The published keys, as a stranger would use them."""

from __future__ import annotations

from pathlib import Path

import jwt
import msgspec
import pytest
from joserfc import jwt as signing

from ebbmark.keys import KeyRing, new_key_set, read_key_ring
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from web.asking import ask, plain_app

PATH = "/.well-known/jwks.json"
PRIVATE = {"d", "p", "q", "dp", "dq", "qi", "oth", "k"}


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ...]:
    folder = tmp_path_factory.mktemp("keys")
    made = (folder / "new.json", folder / "old.json")
    made[0].write_bytes(msgspec.json.encode(new_key_set("ES384")))
    made[1].write_bytes(msgspec.json.encode(new_key_set("RS384")))
    return made


def test_without_keys_the_set_is_empty() -> None:
    reply = ask(plain_app(), method="GET", path=PATH, headers={})

    assert (reply.status, reply.headers["content-type"]) == (200, "application/json")
    assert reply.json == {"keys": []}


def test_all_keys_are_published_so_that_they_can_rotate(files: tuple[Path, ...]) -> None:
    reply = ask(create_app(Settings(signing_keys=files)), method="GET", path=PATH, headers={})

    assert [key["alg"] for key in reply.json["keys"]] == ["ES384", "RS384"]
    assert len({key["kid"] for key in reply.json["keys"]}) == 2


def test_nothing_private_is_published(files: tuple[Path, ...]) -> None:
    reply = ask(create_app(Settings(signing_keys=files)), method="GET", path=PATH, headers={})

    private = [key for file in files for key in msgspec.json.decode(file.read_bytes())["keys"]]
    secrets = [value for key in private for name, value in key.items() if name in PRIVATE]
    assert len(secrets) == 7
    assert not [secret for secret in secrets if secret in reply.body.decode()]
    assert not [name for key in reply.json["keys"] for name in PRIVATE & set(key)]


def test_another_library_checks_our_signatures_with_them(files: tuple[Path, ...]) -> None:
    ring = read_key_ring([file.read_bytes() for file in files])
    assert isinstance(ring, KeyRing)
    reply = ask(create_app(Settings(signing_keys=files)), method="GET", path=PATH, headers={})
    published = jwt.PyJWKSet.from_dict(reply.json)

    for key in ring.keys:
        token = signing.encode(
            {"alg": key.algorithm, "kid": key.kid}, {"sub": "x"}, key.key, algorithms=[key.algorithm]
        )
        assert jwt.decode(token, published[key.kid].key, algorithms=[key.algorithm]) == {"sub": "x"}


@pytest.mark.parametrize("content", [b"{}", b"not json", b'{"keys": []}', b'{"keys": [{"kty": "oct", "k": "AAAA"}]}'])
def test_a_file_without_usable_keys_stops_the_start(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "keys.json"
    file.write_bytes(content)

    with pytest.raises(ValueError, match="EBBMARK_SIGNING_KEYS"):
        create_app(Settings(signing_keys=(file,)))
