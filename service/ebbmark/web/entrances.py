"""From the settings to who may come in: callers with tokens, CDS clients, and records that may open the page.

Source: RFC 7517 section 5; SMART App Launch 2.2, client-confidential-asymmetric (a JWKS URL lets keys rotate);
RFC 8725 sections 3.1 and 3.8 (algorithm and issuer allow-lists).
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable
from secrets import token_urlsafe
from ssl import SSLContext
from urllib.parse import urlsplit
from uuid import uuid4

from ebbmark.fhir.definitions import SignInInfo
from ebbmark.keys import KeyRing, read_public_keys
from ebbmark.record.client import Exchange
from ebbmark.record.connection import RecordSettings, is_this_machine, refusal_of
from ebbmark.record.sign_in import FixedKeys, PublishedKeys, SignInClock
from ebbmark.record.smart_launch import AppClient
from ebbmark.settings import Issuer, Misconfigured, Settings, SmartRecord
from ebbmark.site_files import content_of
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.authentication import FhirAuthentication, HooksAuthentication
from ebbmark.web.launch.access import SmartLaunch
from ebbmark.web.launch.session import (
    CALLBACK,
    CookieKeyFault,
    LaunchConfig,
    Seal,
    SmartClient,
    random_seal,
    read_cookie_keys,
)
from ebbmark.web.shared_store import RateLimit, RequestRates, SeenTokens, SharedStore
from ebbmark.web.token_check import (
    EVALUATE,
    READ_CONDITIONS,
    READ_INFUSIONS,
    READ_PROCEDURES,
    USUAL_SCOPE,
    WRITE_BACK,
    Introspection,
    KeySource,
    TokenRules,
    TrustedParty,
)

_LOG = logging.getLogger("ebbmark")


USUAL_REQUESTS_PER_MINUTE = 6_000.0


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
        issuers=tuple(issuer.issuer for issuer in settings.issuers),
        token_url=next((issuer.token_url for issuer in settings.issuers if issuer.token_url), ""),
        scopes=tuple(one.scope.replace("system", of) for of in ("system", "user") for one in needed),
    )


def entrance_of(settings: Settings, base_url: str, outside: Exchange, store: SharedStore | None) -> FhirAuthentication:
    """Who may come in at the FHIR door, and how often."""
    signing_in = signs_in(settings)
    rules = _rules(settings, settings.issuers, outside)
    return FhirAuthentication(
        rules=rules if signing_in else None,
        audience=settings.audience or base_url,
        rates=_rates(settings, store, "fhir", usual=signing_in),
        wall_s=time.time,
        steady_s=time.monotonic,
        introspection=_introspection_of(settings, outside) if signing_in else None,
    )


def _introspection_of(settings: Settings, outside: Exchange) -> Introspection | None:
    asked = [issuer for issuer in settings.issuers if issuer.introspection_url is not None]
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


def _rates(settings: Settings, store: SharedStore | None, kind: str, *, usual: bool) -> RequestRates | None:
    """How often each client may ask; None for no limit.

    Args:
        usual: whether there is a limit where the operator says nothing.
    """
    per_minute = settings.requests_per_minute
    if per_minute is None:
        per_minute = USUAL_REQUESTS_PER_MINUTE if usual else 0
    limit = RateLimit(per_minute, settings.request_burst) if per_minute else None
    return RequestRates(limit, store=store, kind=kind) if limit is not None else None


def hooks_entrance_of(
    settings: Settings, root: str, entrance: FhirAuthentication, outside: Exchange, store: SharedStore | None
) -> HooksAuthentication:
    """Who may come in at the CDS Hooks door, and how often."""
    if any(cds_client.introspection_url is not None for cds_client in settings.cds_clients):
        raise Misconfigured("EBBMARK_CDS_CLIENTS: introspection_url is for EBBMARK_ISSUERS; name jwks_url or jwks_file")
    rules = _rules(settings, settings.cds_clients, outside) if settings.cds_clients else None
    return HooksAuthentication(
        rules=rules,
        root=root,
        seen=SeenTokens(store=store),
        elsewhere_signed_in=entrance.rules is not None,
        origins=settings.cds_origins,
        rates=_rates(settings, store, "cards", usual=bool(settings.cds_clients)),
        wall_s=time.time,
        steady_s=time.monotonic,
    )


def _rules(settings: Settings, issuers: Iterable[Issuer], exchange: Exchange) -> TokenRules:
    """Whose tokens count: those of issuers with keys.

    Raises:
        ValueError: an address that is not called, or a file that is no key set.
    """
    trusted = {
        issuer.issuer: TrustedParty(
            _keys_of(issuer, exchange),
            frozenset({issuer.jwks_url} if issuer.jwks_url is not None else ()),
            issuer.roles,
        )
        for issuer in issuers
        if issuer.jwks_url is not None or issuer.jwks_file is not None
    }
    algorithms = frozenset(settings.accepted_algorithms)
    return TokenRules(trusted, algorithms, settings.clock_leeway_s, settings.oldest_token_s)


def _keys_of(issuer: Issuer, exchange: Exchange) -> KeySource:
    if issuer.jwks_url is not None:
        return PublishedKeys(issuer.jwks_url, exchange=exchange, steady_s=time.monotonic)
    file = issuer.jwks_file
    keys = read_public_keys(content_of("jwks_file of an issuer", file) if file is not None else b"")
    if not keys:
        # A file without a usable key would refuse every token, which is better said at the start.
        raise Misconfigured(f"jwks_file of an issuer: {file} holds no EC or RSA key with a kid")
    return FixedKeys(keys)


def smart_launch_of(
    settings: Settings,
    keys: KeyRing,
    exchange: Exchange,
    patience: RecordSettings,
    tls: SSLContext | None,
    trail: AuditTrail,
    public_url: str,
    store: SharedStore | None,
) -> SmartLaunch | None:
    """The door for SMART launches; None where no record may open the page.

    Args:
        keys: to sign in with where a record asks for that.

    Raises:
        Misconfigured: settings that cannot be used, or not together.
    """
    if not settings.smart_clients:
        return None
    clients = tuple(_smart_client(smart_client, keys) for smart_client in settings.smart_clients)
    here = is_this_machine(urlsplit(public_url).hostname or "")
    encrypted = urlsplit(public_url).scheme == "https"
    faults = {
        "EBBMARK_SMART_CLIENTS names a record twice": len({client.iss for client in clients}) < len(clients),
        "EBBMARK_SMART_CLIENTS names several records: each needs a callback of its own (one may do without), so that "
        "none gets the replies of another": len({client.callback for client in clients}) < len(clients),
        "EBBMARK_SMART_CLIENTS needs an https address in EBBMARK_BASE_URL, but on this machine": not (
            encrypted or here
        ),
        "EBBMARK_PAGE_FRAME_ANCESTORS needs an https address in EBBMARK_BASE_URL: browsers keep no cookies in frames "
        "without it": bool(settings.page_frame_ancestors) and not encrypted,
        "EBBMARK_SMART_CLIENTS needs EBBMARK_COOKIE_KEYS (ebbmark new-key --algorithm A256GCM)": not (
            settings.cookie_keys or here
        ),
    }
    fault = next((words for words, wrong in faults.items() if wrong), None)
    if fault is not None:
        raise Misconfigured(fault)
    if not settings.cookie_keys:
        _LOG.warning("EBBMARK_COOKIE_KEYS is not set: every page in a record ends with this process.")
    return SmartLaunch(
        LaunchConfig(
            clients=clients,
            public_url=public_url.rstrip("/"),
            seal=_seal_of(settings) if settings.cookie_keys else random_seal(),
            frame_ancestors=settings.page_frame_ancestors,
            algorithms=frozenset(settings.accepted_algorithms),
            leeway_s=settings.clock_leeway_s,
            longest_session_s=settings.session_hours * 3600,
            patience=patience,
            new_secret=lambda: token_urlsafe(32),
            new_tab=lambda: token_urlsafe(16),
        ),
        exchange=exchange,
        record_tls=tls,
        clock=SignInClock(time.time, time.monotonic, lambda: uuid4().hex),
        trail=trail,
        replies=SeenTokens(store=store),
    )


def _smart_client(one: SmartRecord, keys: KeyRing) -> SmartClient:
    iss = one.iss.rstrip("/")
    refusal = refusal_of(iss, (iss,))
    secret = one.client_secret.get_secret_value() if one.client_secret is not None else None
    faults = {
        "an iss carries no query": "?" in iss,
        f"the address {refusal.value if refusal else ''}": refusal is not None,
        "client_secret and private_key_jwt do not go together": secret is not None and one.private_key_jwt,
        "a client_secret must be plain ASCII and not empty": secret is not None and not (secret and secret.isascii()),
        "private_key_jwt needs a key to sign with in EBBMARK_SIGNING_KEYS": one.private_key_jwt and not keys.keys,
    }
    fault = next((words for words, wrong in faults.items() if wrong), None)
    if fault is not None:
        raise Misconfigured(f"EBBMARK_SMART_CLIENTS: {fault}")
    client = AppClient(one.client_id, secret, keys if one.private_key_jwt else None)
    callback = f"{CALLBACK}/{one.callback}" if one.callback else CALLBACK
    return SmartClient(iss, one.title or urlsplit(iss).netloc, client, one.scope or USUAL_SCOPE, one.hosts, callback)


def _seal_of(settings: Settings) -> Seal:
    try:
        return read_cookie_keys([content_of("EBBMARK_COOKIE_KEYS", path) for path in settings.cookie_keys])
    except CookieKeyFault as fault:
        raise Misconfigured(f"a file of EBBMARK_COOKIE_KEYS {fault}") from None
