"""Whose tokens are accepted, and with which keys do we sign? From what the operator configured to what a door applies.

Source: RFC 8725 section 3.1 and 3.8 (algorithm and issuer allow-lists).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import msgspec

from ebbmark.keys import KeyFault, KeyRing, PublicKey, SigningKey, public_key_set, read_key_ring, read_public_keys
from ebbmark.record.exchange import Exchange
from ebbmark.record.published_keys import FixedKeys, PublishedKeys
from ebbmark.web.signed_token import KeySource, Rules, TrustedParty

__all__ = ["KeysOf", "Misconfigured", "own_keys", "own_public_keys", "rules_for", "signer_of"]


class Misconfigured(ValueError):
    """Settings that cannot be used, or not together; the message names them and holds no secret."""


@dataclass(frozen=True, slots=True)
class KeysOf:
    """One party and where its keys are: an address or a file.

    Attributes:
        issuer: as in the `iss` of its tokens.
        url: address of its JSON Web Key Set; None where it is in a file.
        file: with its JSON Web Key Set; None where it is at an address.
    """

    issuer: str
    url: str | None = None
    file: Path | None = None


def rules_for(
    parties: Iterable[KeysOf],
    *,
    algorithms: Iterable[str],
    leeway_s: float,
    exchange: Exchange,
    steady_s: Callable[[], float],
) -> Rules:
    """Build the rules.

    Args:
        parties: those we trust.
        algorithms: accepted signature algorithms.
        leeway_s: how far apart clocks may be [s].
        exchange: the connections for key sets at addresses.
        steady_s: seconds that never run back.

    Raises:
        ValueError: an address that is not called, or a file that is no key set.
    """
    trusted = {
        party.issuer: TrustedParty(
            _source(party, exchange, steady_s), frozenset({party.url}) if party.url is not None else frozenset()
        )
        for party in parties
    }
    return Rules(trusted, frozenset(algorithms), leeway_s)


def _source(party: KeysOf, exchange: Exchange, steady_s: Callable[[], float]) -> KeySource:
    if party.url is not None:
        return PublishedKeys(party.url, exchange=exchange, steady_s=steady_s)
    try:
        keys = read_public_keys(party.file.read_bytes() if party.file is not None else b"")
    except OSError:
        raise Misconfigured("the key set file of an issuer cannot be read") from None
    if not keys:
        # A file without a usable key would refuse every token, which is better said at the start.
        raise Misconfigured("the key set file of an issuer holds no EC or RSA key with a kid")
    return FixedKeys(keys)


def own_keys(files: Iterable[Path]) -> KeyRing:
    """Read the keys that we sign with.

    Raises:
        Misconfigured: a file cannot be read, or holds no keys that can be used.
    """
    try:
        ring = read_key_ring([path.read_bytes() for path in files])
    except OSError:
        raise Misconfigured("a file of EBBMARK_SIGNING_KEYS cannot be read") from None
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
