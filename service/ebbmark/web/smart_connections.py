"""From the settings to the door for SMART launches: which records may open the page, and with which keys."""

from __future__ import annotations

import logging
import time
from secrets import token_urlsafe
from ssl import SSLContext
from urllib.parse import urlsplit
from uuid import uuid4

from ebbmark.keys import KeyRing
from ebbmark.record.connection import is_this_machine, refusal_of
from ebbmark.record.sign_in import SignInClock
from ebbmark.record.smart_launch import AppClient
from ebbmark.settings import Settings, SmartRecord
from ebbmark.site_files import content_of
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.connections import exchange_of, patience_of
from ebbmark.web.launch.access import SmartLaunch
from ebbmark.web.launch.session import (
    CALLBACK,
    CookieKeyFault,
    Seal,
    SmartClient,
    SmartSettings,
    random_seal,
    read_cookie_keys,
)
from ebbmark.web.shared_store import SeenTokens, SharedStore
from ebbmark.web.token_check import USUAL_SCOPE
from ebbmark.web.trust import Misconfigured

_LOG = logging.getLogger("ebbmark")


def smart_launch_of(
    settings: Settings,
    keys: KeyRing,
    tls: SSLContext | None,
    trail: AuditTrail,
    public_url: str,
    store: SharedStore | None,
) -> SmartLaunch | None:
    """The door for SMART launches; None where no record may open the page.

    Args:
        settings: as the operator set them.
        keys: to sign in with where a record asks for that.
        tls: trust, and our certificate, towards records and their authorization servers.
        trail: where it is noted who came and left.
        public_url: where browsers see this service.
        store: shared by replicas; None where there is none.

    Raises:
        Misconfigured: settings that cannot be used, or not together.
    """
    if not settings.smart_clients:
        return None
    clients = tuple(_smart_client(one, keys) for one in settings.smart_clients)
    here = is_this_machine(urlsplit(public_url).hostname or "")
    encrypted = urlsplit(public_url).scheme == "https"
    faults = {
        "EBBMARK_SMART_CLIENTS names a record twice": len({one.iss for one in clients}) < len(clients),
        "EBBMARK_SMART_CLIENTS names several records: each needs a callback of its own (one may do without), so that "
        "none gets the replies of another": len({one.callback for one in clients}) < len(clients),
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
        SmartSettings(
            clients=clients,
            public_url=public_url.rstrip("/"),
            seal=_seal_of(settings) if settings.cookie_keys else random_seal(),
            frame_ancestors=settings.page_frame_ancestors,
            algorithms=frozenset(settings.accepted_algorithms),
            leeway_s=settings.clock_leeway_s,
            longest_session_s=settings.session_hours * 3600,
            patience=patience_of(settings),
            new_secret=lambda: token_urlsafe(32),
            new_tab=lambda: token_urlsafe(16),
        ),
        exchange=exchange_of(settings, tls),
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
