"""From the settings to the connections that the doors use: the record, its sign-in, those who issue tokens, callers."""

from __future__ import annotations

import logging
import time
from dataclasses import replace
from ssl import SSLContext
from urllib.parse import urlsplit
from uuid import uuid4

from ebbmark.fhir.definitions import SignInInfo
from ebbmark.fhir.naming import AcceptedWrites
from ebbmark.keys import KeyRing
from ebbmark.record.client import CallerRecords, Exchange
from ebbmark.record.connection import AddressRefusal, Patience, RecordSettings, is_this_machine, refusal_of
from ebbmark.record.retry import unusable_log
from ebbmark.record.sign_in import SignIn, SignInClock, SignInSettings
from ebbmark.settings import Issuer, Settings
from ebbmark.site_files import content_of
from ebbmark.web.authentication import FhirAuthentication, HooksAuthentication
from ebbmark.web.shared_store import RateLimit, RequestRates, SeenTokens, SharedStore, store_address
from ebbmark.web.token_check import (
    EVALUATE,
    READ_CONDITIONS,
    READ_INFUSIONS,
    READ_PROCEDURES,
    WRITE_BACK,
    Introspection,
)
from ebbmark.web.trust import KeysOf, Misconfigured, rules_for

_LOG = logging.getLogger("ebbmark")

USUAL_REQUESTS_PER_MINUTE = 6_000.0
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


def signs_in(settings: Settings) -> bool:
    """Whether callers of the FHIR door must sign in.

    A service that only shows the page in a record trusts no issuer at that door, and then lets nobody in there.
    """
    wished = settings.authentication
    return wished != "none-on-loopback" and bool(settings.issuers or (wished == "bearer" and settings.smart_clients))


def sign_in_info(settings: Settings) -> SignInInfo | None:
    """What callers of the FHIR door are told of how they sign in; None where nobody does."""
    if not signs_in(settings):
        return None
    needed = (EVALUATE, WRITE_BACK, READ_CONDITIONS, READ_PROCEDURES, READ_INFUSIONS)
    return SignInInfo(
        issuers=tuple(one.issuer for one in settings.issuers),
        token_url=next((one.token_url for one in settings.issuers if one.token_url), ""),
        scopes=tuple(one.scope.replace("system", of) for of in ("system", "user") for one in needed),
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


def entrance_of(settings: Settings, base_url: str, outside: Exchange, store: SharedStore | None) -> FhirAuthentication:
    """Who may come in at the FHIR door, and how often."""
    signing_in = signs_in(settings)
    rules = rules_for(
        [KeysOf(one.issuer, one.jwks_url, one.jwks_file, one.roles) for one in settings.issuers if _has_keys(one)],
        algorithms=settings.accepted_algorithms,
        leeway_s=settings.clock_leeway_s,
        oldest_s=settings.oldest_token_s,
        exchange=outside,
        steady_s=time.monotonic,
    )
    per_minute = settings.requests_per_minute
    if per_minute is None:
        per_minute = USUAL_REQUESTS_PER_MINUTE if signing_in else 0
    return FhirAuthentication(
        rules=rules if signing_in else None,
        audience=settings.audience or base_url,
        rates=_rates(settings, per_minute, store, "fhir"),
        wall_s=time.time,
        steady_s=time.monotonic,
        introspection=_introspection_of(settings, outside) if signing_in else None,
    )


def _has_keys(issuer: Issuer) -> bool:
    return issuer.jwks_url is not None or issuer.jwks_file is not None


def _introspection_of(settings: Settings, outside: Exchange) -> Introspection | None:
    asked = [one for one in settings.issuers if one.introspection_url is not None]
    if len(asked) > 1:
        # A token that says nothing of its issuer would be shown to all of them.
        raise Misconfigured("EBBMARK_ISSUERS: introspection_url stands at more than one issuer; one alone is asked")
    for one in asked:
        if one.introspection_url and one.introspection_client_id and one.introspection_secret_file:
            secret = content_of("introspection_secret_file of an issuer", one.introspection_secret_file)
            return Introspection(
                one.issuer,
                one.introspection_url,
                credentials=(one.introspection_client_id, secret.decode().strip()),
                roles=one.roles,
                exchange=outside,
                report=_LOG.warning,
            )
    return None


def _rates(settings: Settings, per_minute: float, store: SharedStore | None, kind: str) -> RequestRates | None:
    limit = RateLimit(per_minute, settings.request_burst) if per_minute else None
    return RequestRates(limit, store=store, kind=kind) if limit is not None else None


def hooks_entrance_of(
    settings: Settings, root: str, entrance: FhirAuthentication, outside: Exchange, store: SharedStore | None
) -> HooksAuthentication:
    """Who may come in at the CDS Hooks door, and how often.

    Args:
        settings: as the operator set them.
        root: address of this application as callers know it.
        outside: the connections for key sets at addresses.
        store: shared by replicas; None where there is none.
    """
    if any(one.introspection_url is not None for one in settings.cds_clients):
        raise Misconfigured("EBBMARK_CDS_CLIENTS: introspection_url is for EBBMARK_ISSUERS; name jwks_url or jwks_file")
    rules = rules_for(
        [KeysOf(one.issuer, one.jwks_url, one.jwks_file) for one in settings.cds_clients],
        algorithms=settings.accepted_algorithms,
        leeway_s=settings.clock_leeway_s,
        oldest_s=settings.oldest_token_s,
        exchange=outside,
        steady_s=time.monotonic,
    )
    per_minute = settings.requests_per_minute
    if per_minute is None:
        per_minute = USUAL_REQUESTS_PER_MINUTE if settings.cds_clients else 0
    return HooksAuthentication(
        rules=rules if settings.cds_clients else None,
        root=root,
        seen=SeenTokens(store=store),
        elsewhere_signed_in=entrance.rules is not None,
        origins=settings.cds_origins,
        rates=_rates(settings, per_minute, store, "cards"),
        wall_s=time.time,
        steady_s=time.monotonic,
    )


def caller_records_of(settings: Settings, tls: SSLContext | None) -> CallerRecords:
    """The records that callers may name: ours, those beside it, and those that may open the page."""
    own = (settings.record_base_url,) if settings.record_base_url is not None else ()
    launching = tuple(one.iss for one in settings.smart_clients)
    patience = Patience(
        settings.record_connect_timeout_s,
        settings.record_read_timeout_s,
        max_response_bytes=settings.record_max_reply_bytes,
    )
    return CallerRecords(
        (*own, *settings.record_allowed_base_urls, *launching),
        patience=patience,
        tls=tls,
        private_networks=tuple(map(str, settings.private_networks)),
        plain_http_hosts=settings.plain_http_hosts,
    )


def record_settings_of(settings: Settings) -> RecordSettings | None:
    """The record's plain arguments; None where no record is configured."""
    if settings.record_base_url is None:
        return None
    return replace(
        patience_of(settings),
        base_url=settings.record_base_url,
        allowed_base_urls=(settings.record_base_url, *settings.record_allowed_base_urls),
        bearer_token=settings.record_token.get_secret_value() if settings.record_token else None,
        internal_base_urls=settings.record_internal_base_urls,
    )


def patience_of(settings: Settings) -> RecordSettings:
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
    )


def unusable_address(settings: Settings) -> str | None:
    """Say which configured address could never be called, shown or written to, or lacks the one that it goes with.

    Args:
        settings: as the operator set them.
    """
    outward = [
        ("EBBMARK_RECORD_BASE_URL", settings.record_base_url),
        *[("EBBMARK_RECORD_ALLOWED_BASE_URLS", one) for one in settings.record_allowed_base_urls],
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
