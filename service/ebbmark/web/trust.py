"""The keys that this service signs with and publishes, and those whose signatures it believes.

Source: RFC 7517 section 5; SMART App Launch 2.2, client-confidential-asymmetric (a JWKS URL lets keys rotate);
RFC 8725 sections 3.1 and 3.8 (algorithm and issuer allow-lists).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import msgspec
from fastapi import APIRouter, Response

from ebbmark.audit.signature import sign
from ebbmark.keys import KeyFault, KeyRing, PublicKey, SigningKey, public_key_set, read_key_ring, read_public_keys
from ebbmark.record.client import Exchange
from ebbmark.record.sign_in import FixedKeys, PublishedKeys
from ebbmark.site_files import content_of
from ebbmark.web.token_check import KeySource, TokenRules, TrustedParty


class Misconfigured(ValueError):
    """Settings that cannot be used, or not together; the message names them and holds no secret."""


@dataclass(frozen=True, slots=True)
class KeysOf:
    """One party and where its keys are: an address or a file.

    Attributes:
        issuer: as in the `iss` of its tokens.
        url: address of its JSON Web Key Set; None where it is in a file.
        file: with its JSON Web Key Set; None where it is at an address.
        roles: scopes that a role of its directory stands for.
    """

    issuer: str
    url: str | None = None
    file: Path | None = None
    roles: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def rules_for(
    parties: Iterable[KeysOf],
    *,
    algorithms: Iterable[str],
    leeway_s: float,
    oldest_s: float,
    exchange: Exchange,
    steady_s: Callable[[], float],
) -> TokenRules:
    """Build the rules.

    Args:
        leeway_s: how far apart clocks may be [s].
        oldest_s: how long ago a token may have been issued [s].
        exchange: the connections for key sets at addresses.
        steady_s: seconds that never run back.

    Raises:
        ValueError: an address that is not called, or a file that is no key set.
    """
    trusted = {
        party.issuer: TrustedParty(
            _source(party, exchange, steady_s),
            frozenset({party.url}) if party.url is not None else frozenset(),
            party.roles,
        )
        for party in parties
    }
    return TokenRules(trusted, frozenset(algorithms), leeway_s, oldest_s)


def _source(party: KeysOf, exchange: Exchange, steady_s: Callable[[], float]) -> KeySource:
    if party.url is not None:
        return PublishedKeys(party.url, exchange=exchange, steady_s=steady_s)
    keys = read_public_keys(content_of("jwks_file of an issuer", party.file) if party.file is not None else b"")
    if not keys:
        # A file without a usable key would refuse every token, which is better said at the start.
        raise Misconfigured(f"jwks_file of an issuer: {party.file} holds no EC or RSA key with a kid")
    return FixedKeys(keys)


def own_keys(files: Iterable[Path]) -> KeyRing:
    """Read the keys that we sign with.

    Raises:
        ValueError: a file cannot be read, or holds no keys that can be used.
    """
    ring = read_key_ring([content_of("EBBMARK_SIGNING_KEYS", path) for path in files])
    if isinstance(ring, KeyFault):
        raise Misconfigured(f"a file of EBBMARK_SIGNING_KEYS {ring.value}")
    return ring


def own_public_keys(ring: KeyRing) -> tuple[PublicKey, ...]:
    """Our own keys as the world sees them, to check our own signatures with."""
    return read_public_keys(msgspec.json.encode(public_key_set(ring))) or ()


def signer_of(ring: KeyRing, *, signs: bool) -> SigningKey | None:
    """The key that answers are signed with; None where they are not.

    Raises:
        Misconfigured: they are to be signed, and there is no key.
    """
    if not signs:
        return None
    if not ring.keys:
        raise Misconfigured("EBBMARK_SIGN_RESULTS needs a key in EBBMARK_SIGNING_KEYS")
    return ring.keys[0]


def signed(bundle: dict[str, object], files: Iterable[Path], *, signs: bool) -> dict[str, object]:
    """An answer Bundle with its signature where answers are signed, and as it is where they are not.

    Raises:
        Misconfigured: it is to be signed, and there is no key that can be used.
    """
    key = signer_of(own_keys(files), signs=signs)
    return bundle if key is None else sign(msgspec.json.decode(msgspec.json.encode(bundle)), key=key)


JWKS = "application/json"


def jwks_router(keys: KeyRing) -> APIRouter:
    """The route of the published keys.

    Args:
        keys: their public parts are served; an empty set where there are none.
    """
    router = APIRouter(tags=["keys"])
    body = msgspec.json.encode(public_key_set(keys))

    @router.get(
        "/.well-known/jwks.json",
        summary="Public keys of this service",
        operation_id="readKeys",
        response_class=Response,
        responses={
            200: {
                "description": "A JSON Web Key Set without private parts.",
                "content": {JWKS: {"schema": {"type": "object", "required": ["keys"]}}},
            }
        },
    )
    async def jwks() -> Response:
        return Response(body, media_type=JWKS)

    return router
