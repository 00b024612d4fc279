"""The application: doors, limits, headers, and the one place where an error becomes a response."""

from __future__ import annotations

import gc
import logging
import time
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from ssl import SSLContext
from uuid import uuid4

from fastapi import Depends, FastAPI
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ebbmark import __version__
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.read import NO_CODE_MAP, Limits, read_code_map
from ebbmark.keys import KeyRing
from ebbmark.record.client import RecordClient, RecordSettings
from ebbmark.record.exchange import Exchange, Patience
from ebbmark.record.resolving import is_this_machine
from ebbmark.record.sign_in import SignIn, SignInClock, SignInSettings
from ebbmark.record.tls import client_tls
from ebbmark.settings import Settings
from ebbmark.web import health
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.bedside import BedsideDoor, bedside_router, definitions_router
from ebbmark.web.documentation import DESCRIPTION
from ebbmark.web.entrance import Entrance
from ebbmark.web.jwks import jwks_router
from ebbmark.web.limits import RateLimit, RequestRates
from ebbmark.web.operations import Door, fhir_router
from ebbmark.web.replaying import Auditing, replay_router
from ebbmark.web.responses import SAFE_HEADERS, not_routed, outcome_response, place_of, rejected
from ebbmark.web.site_files import read_site
from ebbmark.web.trust import KeysOf, Misconfigured, own_keys, own_public_keys, rules_for, signer_of

__all__ = ["SIGN_IN_IS_OFF", "Misconfigured", "create_app", "reason_not_to_listen"]

_LOG = logging.getLogger("ebbmark")

SIGN_IN_IS_OFF = (
    "Sign-in is off: whoever can reach this machine's loopback address may ask, and may write where a record is "
    "configured. For development only; EBBMARK_ISSUERS turns sign-in on."
)
USUAL_REQUESTS_PER_MINUTE = 6_000.0


def create_app(settings: Settings) -> FastAPI:
    """Build the application from its settings.

    Raises:
        Rejected: the site's code map cannot be read.
        ValueError: settings that cannot be used, or not together.
    """
    reason = reason_not_to_listen(settings)
    if reason is not None:
        raise Misconfigured(reason)
    base_url = (settings.base_url or f"http://{settings.host}:{settings.port}").rstrip("/") + "/fhir"
    keys = own_keys(settings.signing_keys)
    tls = client_tls(
        certificate=settings.record_certificate,
        key=settings.record_certificate_key,
        authorities=settings.record_authorities,
    )
    sign_in = _sign_in(settings, keys, tls)
    record_settings = _record_settings(settings)
    record = RecordClient(record_settings, tls=tls, tokens=sign_in) if record_settings is not None else None
    if record is None and settings.audit_to == "record":
        raise Misconfigured("EBBMARK_AUDIT_TO is record, but EBBMARK_RECORD_BASE_URL is not set")
    # Issuers are strangers: they are checked like the record, but not shown our certificate.
    outside = _exchange(settings, client_tls(certificate=None, key=None, authorities=settings.record_authorities))
    entrance = _entrance(settings, base_url, outside)
    limits = Limits(max_bytes=settings.max_body_bytes, max_entries=settings.max_entries)
    code_map = read_code_map(settings.code_map.read_bytes()) if settings.code_map else NO_CODE_MAP
    site = read_site(value_sets=settings.value_sets, protocols=settings.protocols, stop_limits=settings.stop_limits)
    trail = AuditTrail(time.time, record if settings.audit_to == "record" else None, settings.audit_names_patient)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        async with AsyncExitStack() as stack:
            if record is not None:
                await stack.enter_async_context(record)
            if sign_in is not None:
                stack.push_async_callback(sign_in.aclose)
            stack.push_async_callback(outside.aclose)
            if entrance.rules is None:
                _LOG.warning(SIGN_IN_IS_OFF)
            # What was made at start-up stays: the collector need not look at it during requests.
            gc.collect()
            gc.freeze()
            yield

    app = FastAPI(
        title="Ebbmark",
        version=__version__,
        description=DESCRIPTION,
        license_info={"name": "Apache-2.0", "identifier": "Apache-2.0"},
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        lifespan=lifespan,
    )
    door = Door(
        limits=limits,
        code_map=code_map,
        accept_preliminary=settings.accept_preliminary,
        record=record,
        base_url=base_url,
        trail=trail,
        signs_in=entrance.rules is not None,
        signer=signer_of(keys, signs=settings.sign_results),
        protocols=site.protocols,
    )
    bedside = BedsideDoor(site, limits, code_map, settings.accept_preliminary, trail, door.signer)
    auditing = Auditing(code_map, record, own_public_keys(keys), trail, settings.max_body_bytes, site.protocols)
    for guarded in (fhir_router(door), bedside_router(bedside), replay_router(auditing)):
        app.include_router(guarded, dependencies=[Depends(entrance.admit)])
    for open_to_all in (definitions_router(site), jwks_router(keys), health.router):
        app.include_router(open_to_all)
    app.add_exception_handler(Rejected, rejected)
    app.add_exception_handler(HTTPException, not_routed)
    app.add_middleware(_Boundary)
    return app


def reason_not_to_listen(settings: Settings) -> str | None:
    """Say why the service may not start with these settings, or None if it may."""
    here = is_this_machine(settings.host)
    if settings.issuers and settings.authentication != "none-on-loopback":
        if here or settings.base_url or settings.audience:
            return None
        return "EBBMARK_BASE_URL (or EBBMARK_AUDIENCE) must say by which address callers know this service"
    if settings.authentication == "bearer":
        return "EBBMARK_AUTHENTICATION is bearer, but EBBMARK_ISSUERS names nobody whose tokens to accept"
    if here:
        return None
    return (
        f"Sign-in is off, so the service listens on this machine only and not on {settings.host}. "
        "Name whose access tokens to accept in EBBMARK_ISSUERS, or listen on 127.0.0.1"
    )


def _exchange(settings: Settings, tls: SSLContext | None) -> Exchange:
    """Connections to those who give tokens and keys: short replies, like patience."""
    patience = Patience(settings.record_connect_timeout_s, settings.record_read_timeout_s, max_response_bytes=200_000)
    return Exchange(patience, tls=tls, private_networks=map(str, settings.private_networks))


def _sign_in(settings: Settings, keys: KeyRing, tls: SSLContext | None) -> SignIn | None:
    """How we sign in to the record by ourselves; None where we do not."""
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
        ),
        keys=keys,
        exchange=_exchange(settings, tls),
        clock=SignInClock(time.time, time.monotonic, lambda: uuid4().hex),
        report=_LOG.warning,
    )


def _entrance(settings: Settings, base_url: str, outside: Exchange) -> Entrance:
    signing_in = bool(settings.issuers) and settings.authentication != "none-on-loopback"
    rules = rules_for(
        [KeysOf(one.issuer, one.jwks_url, one.jwks_file) for one in settings.issuers],
        algorithms=settings.accepted_algorithms,
        leeway_s=settings.clock_leeway_s,
        exchange=outside,
        steady_s=time.monotonic,
    )
    per_minute = settings.requests_per_minute
    if per_minute is None:
        per_minute = USUAL_REQUESTS_PER_MINUTE if signing_in else 0
    return Entrance(
        rules=rules if signing_in else None,
        audience=settings.audience or base_url,
        rates=RequestRates(RateLimit(per_minute, settings.request_burst)) if per_minute else None,
        wall_s=time.time,
        steady_s=time.monotonic,
    )


def _record_settings(settings: Settings) -> RecordSettings | None:
    """The record's plain arguments; None where no record is configured."""
    if settings.record_base_url is None:
        return None
    return RecordSettings(
        base_url=settings.record_base_url,
        allowed_base_urls=(settings.record_base_url, *settings.record_allowed_base_urls),
        bearer_token=settings.record_token.get_secret_value() if settings.record_token else None,
        connect_timeout_s=settings.record_connect_timeout_s,
        read_timeout_s=settings.record_read_timeout_s,
        max_attempts=settings.record_attempts,
        max_total_wait_s=settings.record_longest_wait_s,
        max_response_bytes=settings.record_max_reply_bytes,
        private_networks=tuple(map(str, settings.private_networks)),
    )


class _Boundary:
    """Outermost layer: safe headers on every response, and a plain refusal for what nobody foresaw."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; add headers to the response."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        started = False
        # RFC 9110 section 9.3.2: HEAD is GET without the body.
        bodiless = scope["method"] == "HEAD"
        if bodiless:
            scope = {**scope, "method": "GET"}

        async def send_with_headers(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                own = {name for name, _ in message["headers"]}
                message["headers"] = [*message["headers"], *(one for one in SAFE_HEADERS if one[0] not in own)]
            elif bodiless:
                message["body"] = b""
            await send(message)

        try:
            await self.app(scope, receive, send_with_headers)
        except Exception as error:  # the only one: whatever it is, no stack and no data leave
            _LOG.error("unforeseen %s in %s", type(error).__name__, place_of(error))
            if started:
                raise
            sentence = (
                "The service failed and gives no answer. Asking again is safe, also where write-back was asked for."
            )
            problem = Problem(ProblemKind.INTERNAL, "", "a fault in this service", "", sentence)
            await outcome_response((problem,), 500)(scope, receive, send_with_headers)
