"""The application: which doors there are, put together from the settings."""

from __future__ import annotations

import asyncio
import gc
import logging
import time
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from importlib.resources import files
from urllib.parse import urlsplit

from fastapi import Depends, FastAPI
from starlette.exceptions import HTTPException

from ebbmark import __version__
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.request import Limits, RequestContext
from ebbmark.fhir.writing.write import write_bundle_bytes
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import ReplyMemory, client_tls, expired_since, is_this_machine
from ebbmark.settings import Misconfigured, Settings
from ebbmark.site_files import codes_of, files_of, remarks_on, site_of, use_messages
from ebbmark.telemetry.traces import watch_of
from ebbmark.use_cases.questions import answer_request
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.authentication import page_rates
from ebbmark.web.boundary import Boundary, HooksOrigins, Telemetry, not_routed, refusals
from ebbmark.web.connections import (
    caller_records_of,
    exchange_of,
    own_keys,
    own_public_keys,
    patience_of,
    record_settings_of,
    shared_store_of,
    sign_in_of,
    signer_of,
    unusable_address,
)
from ebbmark.web.definitions import definitions_router, jwks_router
from ebbmark.web.documentation import DESCRIPTION, DocumentedApp
from ebbmark.web.entrances import entrance_of, hooks_entrance_of, sign_in_info, signs_in, smart_launch_of
from ebbmark.web.health import Probes, health_router
from ebbmark.web.hooks.card import Where
from ebbmark.web.hooks.routes import CallContext, HooksConfig, hooks_router
from ebbmark.web.inspecting import inspection_router, launched_inspection_router
from ebbmark.web.launch.launching import launch_router
from ebbmark.web.launch.session import CookieMiddleware
from ebbmark.web.limits import Load, WorkPool
from ebbmark.web.operations import OperationsConfig, operations_router
from ebbmark.web.page.frame import Pages
from ebbmark.web.page.record_source import PageConfig, source_of_tab
from ebbmark.web.page.routes import patient_router
from ebbmark.web.page.words import zone_of
from ebbmark.web.theme import PageRefused, files_router, page_refusals

_LOG = logging.getLogger("ebbmark")

SIGN_IN_IS_OFF = (
    "Sign-in is off: whoever can reach this machine's loopback address may ask, and may write where a record is "
    "configured. For development only; EBBMARK_ISSUERS turns sign-in on."
)


def create_app(settings: Settings) -> FastAPI:
    """Build the application from its settings.

    Raises:
        ValueError: settings that cannot be used, or not together.
    """
    reason = reason_not_to_listen(settings)
    if reason is not None:
        raise Misconfigured(reason)
    fault = unusable_address(settings)
    if fault is not None:
        raise Misconfigured(fault)
    root = (settings.base_url or f"http://{settings.host}:{settings.port}").rstrip("/")
    base_url = f"{root}/fhir"
    keys = own_keys(settings.signing_keys)
    tls = client_tls(
        certificate=settings.record_certificate,
        key=settings.record_certificate_key,
        authorities=settings.record_authorities,
    )
    expired = expired_since(settings.record_certificate, at_s=time.time()) if settings.record_certificate else None
    if expired is not None:
        raise Misconfigured(f"EBBMARK_RECORD_CERTIFICATE: the client certificate expired on {expired:%Y-%m-%d}")
    sign_in = sign_in_of(settings, keys, tls)
    memory = ReplyMemory(settings.record_reply_bytes_at_once)
    record_settings = record_settings_of(settings, memory)
    record = RecordClient(record_settings, tls=tls, tokens=sign_in) if record_settings is not None else None
    if record is None and settings.audit_to == "record":
        raise Misconfigured("EBBMARK_AUDIT_TO is record, but EBBMARK_RECORD_BASE_URL is not set")
    # Issuers are strangers: they are checked like the record, but not shown our certificate.
    outside_tls = client_tls(certificate=None, key=None, authorities=settings.record_authorities)
    outside = exchange_of(settings, outside_tls)
    store = shared_store_of(settings, outside_tls)
    entrance = entrance_of(settings, base_url, outside, store)
    hooks_entrance = hooks_entrance_of(settings, root, entrance, outside, store)
    caller_records = caller_records_of(settings, outside_tls, memory)
    limits = Limits(max_bytes=settings.max_body_bytes, max_entries=settings.max_entries)
    use_messages(files_of(messages=settings.messages))
    own = files_of(**settings.site_files)
    code_map, site = codes_of(own), site_of(own)
    for remark in remarks_on(own, today=datetime.now(UTC).date()):
        _LOG.warning(f"Look at {remark}")
    trail = AuditTrail(time.time, record if settings.audit_to == "record" else None, settings.audit_names_patient)

    load = Load(settings.requests_at_once, settings.body_bytes_at_once)
    pool = WorkPool(settings.answer_deadline_s, most_of_one=max(1, settings.requests_at_once // 2))
    watch, end_traces = watch_of(
        metrics=settings.metrics_port is not None, traces_to=settings.traces_to, traces_share=settings.traces_share
    )
    if watch.meters is not None and record is not None:
        watch.meters.show_pool(lambda: record.pool_use)
    rules_of_doors = [one for one in (entrance.rules, hooks_entrance.rules) if one is not None]
    issuers = [party.keys for rules_of_door in rules_of_doors for party in rules_of_door.parties.values()]
    probes = Probes(record, store, issuers, time.monotonic)
    smart = smart_launch_of(
        settings, keys, exchange_of(settings, tls), patience_of(settings, memory), tls, trail, root, store
    )

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        async with AsyncExitStack() as stack:
            if record is not None:
                await stack.enter_async_context(record)
            if store is not None:
                stack.push_async_callback(store.aclose)
            stack.push_async_callback(probes.aclose)
            if sign_in is not None:
                stack.push_async_callback(sign_in.aclose)
            stack.push_async_callback(outside.aclose)
            stack.push_async_callback(caller_records.aclose)
            stack.callback(pool.close)
            if smart is not None:
                stack.push_async_callback(smart.aclose)
            if entrance.rules is None:
                _LOG.warning(SIGN_IN_IS_OFF)
            for host in settings.plain_http_hosts:
                _LOG.warning(f"EBBMARK_PLAIN_HTTP_HOSTS: {host} is spoken to without encryption.")
            # The first answer of a process takes ten times as long as later ones: it is nobody's.
            await pool.run(_first_answer, context)
            probes.fetch_keys_soon()
            # What was made at start-up stays: the collector need not look at it during requests.
            gc.freeze()
            yield
            if end_traces is not None:
                await asyncio.to_thread(end_traces)

    app = DocumentedApp(
        title="Ebbmark",
        version=__version__,
        description=DESCRIPTION,
        servers=[{"url": root}],
        license_info={"name": "Apache-2.0", "identifier": "Apache-2.0"},
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        lifespan=lifespan,
    )
    # The instant is that of each request.
    context = RequestContext(0.0, site, limits, code_map, settings.accept_preliminary)
    operations = OperationsConfig(
        context,
        record,
        trail,
        pool,
        signer_of(keys, signs=settings.sign_results),
        own_public_keys(keys),
        settings.request_deadline_s,
    )
    where = Where(settings.documentation_url or f"{base_url}/metadata", f"{root}/launch" if smart is not None else "")
    hooks = HooksConfig(
        hooks_entrance,
        CallContext(context, caller_records, where, pool, operations.signer, deadline_s=settings.request_deadline_s),
        trail,
        time.time,
    )
    inspecting = inspection_router(operations, scope=settings.administrator_scope)
    for guarded in (operations_router(operations), inspecting):
        app.include_router(guarded, dependencies=[Depends(entrance.admit)])
    for by_itself in (
        definitions_router(site, base_url=base_url, sign_in=sign_in_info(settings)),
        jwks_router(keys),
        health_router(probes, load),
        files_router(),
        hooks_router(hooks),
    ):
        app.include_router(by_itself)
    pages = Pages(zone_of(settings.time_zone), settings.page_frame_ancestors, urlsplit(root).path)
    app.state.smart_launch = smart
    app.state.meters = watch.meters
    counted = [Depends(page_rates(entrance.rates.limit if entrance.rates else None, time.monotonic, store))]
    if smart is not None:
        app.include_router(launch_router(smart), dependencies=counted)
    page_config = PageConfig(context, operations.signer, trail, settings.request_deadline_s)
    of_tab = source_of_tab(smart, page_config)
    app.include_router(patient_router("/app/{tab}", of_tab, pages), dependencies=counted)
    inspected = launched_inspection_router(operations, of_tab, scope=settings.administrator_scope)
    app.include_router(inspected, dependencies=counted)
    if settings.demo:
        from ebbmark.web.page.demo import demo_router, source_of_demo

        app.include_router(demo_router(site, pages))
        app.include_router(patient_router("/demo/{scenario}", source_of_demo(site), pages), include_in_schema=False)
    app.add_exception_handler(Rejected, refusals(trail))
    app.add_exception_handler(HTTPException, not_routed)
    app.add_exception_handler(PageRefused, page_refusals(pages.frame_ancestors, pages.root))
    app.add_middleware(CookieMiddleware)
    if settings.cds_origins:
        app.add_middleware(HooksOrigins, origins=settings.cds_origins)
    app.add_middleware(Boundary, load=load, over_https=root.startswith("https:"))
    app.add_middleware(Telemetry, watch=watch)
    return app


def _first_answer(context: RequestContext) -> None:
    """Answer the trial of the OpenAPI document, so that all that an answer needs is loaded and made."""
    body, now_s = (files("ebbmark.web") / "examples" / "titrate-peep.json").read_bytes(), time.time()
    with suppress(Rejected):
        write_bundle_bytes(answer_request(TITRATE_PEEP, body, replace(context, at_s=now_s)), recorded_s=now_s)


def reason_not_to_listen(settings: Settings) -> str | None:
    """Say why the service may not start with these settings, or None if it may."""
    here = is_this_machine(settings.host)
    if settings.demo and not here:
        return f"The demo is shown on this machine only and not on {settings.host}"
    if signs_in(settings):
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
