"""From the settings to our keys and the connections that the doors use: the record, its sign-in, callers, the store."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from ssl import SSLContext
from urllib.parse import urlsplit
from uuid import uuid4

import msgspec

from ebbmark.audit.signature import sign
from ebbmark.fhir.naming import AcceptedWrites
from ebbmark.keys import KeyFault, KeyRing, PublicKey, SigningKey, public_key_set, read_key_ring, read_public_keys
from ebbmark.record.client import CallerRecords, Exchange
from ebbmark.record.connection import AddressRefusal, Patience, RecordSettings, ReplyMemory, is_this_machine, refusal_of
from ebbmark.record.retry import unusable_log
from ebbmark.record.sign_in import SignIn, SignInClock, SignInSettings
from ebbmark.settings import Misconfigured, Settings
from ebbmark.site_files import content_of
from ebbmark.web.shared_store import SharedStore, store_address

_LOG = logging.getLogger("ebbmark")

_LISTED_HOSTS = "; EBBMARK_PLAIN_HTTP_HOSTS lists hosts inside a closed network that may be called all the same"


def exchange_of(settings: Settings, tls: SSLContext | None) -> Exchange:
    """Connections to those who give tokens and keys: short replies, like patience."""
    patience = Patience(settings.record_connect_timeout_s, settings.record_read_timeout_s, max_response_bytes=200_000)
    return Exchange(patience, tls=tls, private_networks=map(str, settings.private_networks))


def sign_in_of(settings: Settings, keys: KeyRing, tls: SSLContext | None) -> SignIn | None:
    """How we sign in to the record by ourselves; None where we do not.

    Raises:
        Misconfigured: two ways at once, or no key to sign with.
    """
    if settings.record_client_id is None or settings.record_base_url is None:
        return None
    if settings.record_token is not None:
        raise Misconfigured("set EBBMARK_RECORD_TOKEN or EBBMARK_RECORD_CLIENT_ID, not both")
    if not keys.keys:
        raise Misconfigured("EBBMARK_RECORD_CLIENT_ID needs a key to sign with in EBBMARK_SIGNING_KEYS")
    return SignIn(
        SignInSettings(
            client_id=settings.record_client_id,
            scope=settings.record_scope,
            record_base_url=settings.record_base_url,
            token_url=settings.record_token_url,
            hosts=settings.record_token_hosts,
            plain_http_hosts=settings.plain_http_hosts,
        ),
        keys=keys,
        exchange=exchange_of(settings, tls),
        clock=SignInClock(time.time, time.monotonic, lambda: uuid4().hex),
        report=_LOG.warning,
    )


def shared_store_of(settings: Settings, tls: SSLContext | None) -> SharedStore | None:
    """The store that replicas share; None where none is configured.

    Raises:
        ValueError: its address is none.
    """
    if settings.shared_store_url is None:
        return None
    address = store_address(settings.shared_store_url.get_secret_value())
    if not (address.encrypted or is_this_machine(address.host)):
        _LOG.warning("EBBMARK_SHARED_STORE_URL: the store is spoken to without encryption.")
    return SharedStore(address, tls, time.monotonic)


def caller_records_of(settings: Settings, tls: SSLContext | None, memory: ReplyMemory) -> CallerRecords:
    """The records that callers may name: ours, those beside it, and those that may open the page."""
    own = (settings.record_base_url,) if settings.record_base_url is not None else ()
    launching = tuple(smart_client.iss for smart_client in settings.smart_clients)
    patience = Patience(
        settings.record_connect_timeout_s,
        settings.record_read_timeout_s,
        max_response_bytes=settings.record_max_reply_bytes,
        memory=memory,
    )
    return CallerRecords(
        (*own, *settings.record_allowed_base_urls, *launching),
        patience=patience,
        tls=tls,
        private_networks=tuple(map(str, settings.private_networks)),
        plain_http_hosts=settings.plain_http_hosts,
    )


def record_settings_of(settings: Settings, memory: ReplyMemory | None = None) -> RecordSettings | None:
    """The record's plain arguments; None where no record is configured."""
    if settings.record_base_url is None:
        return None
    return replace(
        patience_of(settings, memory),
        base_url=settings.record_base_url,
        allowed_base_urls=(settings.record_base_url, *settings.record_allowed_base_urls),
        bearer_token=settings.record_token.get_secret_value() if settings.record_token else None,
        internal_base_urls=settings.record_internal_base_urls,
    )


def patience_of(settings: Settings, memory: ReplyMemory | None = None) -> RecordSettings:
    """The plain arguments that every record shares; only the address differs."""
    return RecordSettings(
        base_url="",
        allowed_base_urls=(),
        connect_timeout_s=settings.record_connect_timeout_s,
        read_timeout_s=settings.record_read_timeout_s,
        max_attempts=settings.record_attempts,
        max_total_wait_s=settings.record_longest_wait_s,
        max_response_bytes=settings.record_max_reply_bytes,
        private_networks=tuple(map(str, settings.private_networks)),
        write_timeout_s=settings.record_write_timeout_s,
        plain_http_hosts=settings.plain_http_hosts,
        searches_at_once=settings.record_searches_at_once,
        accepts=AcceptedWrites(frozenset(settings.record_writes), settings.record_most_creates),
        refusal_log=settings.record_refusal_log,
        memory=memory,
    )


def unusable_address(settings: Settings) -> str | None:
    """Say which configured address could never be called, shown or written to, or lacks the one that it goes with."""
    outward = [
        ("EBBMARK_RECORD_BASE_URL", settings.record_base_url),
        *[
            ("EBBMARK_RECORD_ALLOWED_BASE_URLS", record_allowed_base_url)
            for record_allowed_base_url in settings.record_allowed_base_urls
        ],
        ("EBBMARK_RECORD_TOKEN_URL", settings.record_token_url),
    ]
    for setting, address in outward:
        refusal = refusal_of(address, (address,), settings.plain_http_hosts) if address is not None else None
        if refusal is not None:
            hint = _LISTED_HOSTS if refusal is AddressRefusal.NOT_ENCRYPTED else ""
            return f"{setting}: the address {refusal.value}{hint}"
    log = settings.record_refusal_log
    reason = unusable_log(log) if log is not None else None
    if reason is not None:
        return f"EBBMARK_RECORD_REFUSAL_LOG: {log}: {reason}"
    if settings.base_url is not None and not _is_plain_address(settings.base_url):
        return "EBBMARK_BASE_URL: not an absolute http or https address without query"
    if settings.record_base_url is None:
        lonely = {
            "EBBMARK_RECORD_TOKEN": settings.record_token,
            "EBBMARK_RECORD_CLIENT_ID": settings.record_client_id,
        }
        for setting, value in lonely.items():
            if value is not None:
                return f"{setting} is set, but EBBMARK_RECORD_BASE_URL is not: there is no record to use it at"
    return None


def _is_plain_address(address: str) -> bool:
    try:
        parts = urlsplit(address)
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and bool(parts.hostname) and not (parts.query or parts.fragment)


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
