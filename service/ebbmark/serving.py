"""How the service, the bridge and the commands that ask a record start: settings read and judged, then the work begun.

What cannot begin says why on standard error and ends the process with the exit code of wrong usage.
"""

from __future__ import annotations

import asyncio
import gc
import math
import signal
import socket
import sys
import time
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn
from uuid import uuid4
from zoneinfo import ZoneInfo

import uvicorn
from pydantic import ValidationError
from pydantic_settings import SettingsError

from ebbmark import __version__
from ebbmark.audit.stored_answer import Needs, needs_of
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.times import instant
from ebbmark.fhir.writing.normal_form import NotAnAnswer
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import client_tls
from ebbmark.settings import Settings, fault_said, places_in_environment, unknown_names
from ebbmark.site_files import codes_of, faults_of, files_of, remarks_on, site_of, use_messages
from ebbmark.telemetry.logs import log_as_json
from ebbmark.telemetry.measured import Meters, show_metrics
from ebbmark.telemetry.traces import watch_of
from ebbmark.use_cases.from_record import titration_reads
from ebbmark.use_cases.inspection import charted_in_record
from ebbmark.use_cases.replay_exchange import Inputs, not_an_answer, read_stored
from ebbmark.web.app import create_app, reason_not_to_listen
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.connections import own_keys, record_settings_of, sign_in_of, unusable_address
from ebbmark.web.limits import IDLE_S, bounded_protocol
from ebbmark.web.operations import inputs_of

if TYPE_CHECKING:
    from ebbmark.review.bulk_export import Exported
    from ebbmark.use_cases.check_record import Report

USAGE = 2
BACKLOG = 2048


def serve(*, host: str | None = None, port: int | None = None, demo: bool | None = None) -> None:
    """Run the service until it is told to stop.

    Args:
        host: address to listen on, instead of the one in the settings; so with the others.
        port: 0 takes a free one.
    """
    given = {"host": host, "port": port, "demo": demo}
    settings = _settings().model_copy(update={name: value for name, value in given.items() if value is not None})
    reason = reason_not_to_listen(settings)
    if reason is not None:
        _stop(f"{reason}.")
    try:
        listener = _listener(settings.host, settings.port)
    except OSError as error:
        _stop(f"cannot listen on {settings.host}, port {settings.port}: {error.strerror}")
    taken = listener.getsockname()[1]
    try:
        app = create_app(settings.model_copy(update={"port": taken}))
    except ValueError as error:
        _stop(f"{error}.")
    log_as_json(settings.log_level)
    meters: Meters | None = app.state.meters
    metrics = _metrics_shown(meters, settings)
    shown = f"[{settings.host}]" if ":" in settings.host else settings.host
    print(f"Ebbmark {__version__} listens on http://{shown}:{taken}", file=sys.stderr, flush=True)
    if meters is not None:
        print(f"Metrics: {metrics}", file=sys.stderr, flush=True)
    if settings.demo:
        print(f"The demo: http://{shown}:{taken}/demo/", file=sys.stderr, flush=True)
    # A thread that computes gives way to the event loop after this long, so that health is answered under load [s].
    sys.setswitchinterval(0.001)
    # The collector stops every thread: at the usual 700, 10, 10 a body of many small parts calls it hundreds of times.
    gc.set_threshold(10_000, 5, 5)
    # No access log: an address may carry what must not be logged.
    config = uvicorn.Config(
        app,
        http=bounded_protocol(settings.connections_at_once),
        ws="none",
        access_log=False,
        # The address nearest to us that is not one of theirs counts: what a client wrote itself lies behind it.
        proxy_headers=bool(settings.trusted_proxies),
        forwarded_allow_ips=[str(trusted_proxy) for trusted_proxy in settings.trusted_proxies],
        log_config=None,
        server_header=False,
        timeout_keep_alive=IDLE_S,
        backlog=BACKLOG,
        timeout_graceful_shutdown=math.ceil(settings.drain_s),
    )
    server = uvicorn.Server(config)
    server.run(sockets=[listener])
    if not server.started:
        _stop("The service did not start; the line before says where and why.")


def _metrics_shown(meters: Meters | None, settings: Settings) -> str:
    """Show the metrics, where they are wished for, and say where."""
    if meters is None:
        return "none"
    try:
        port = show_metrics(meters, settings.metrics_host, settings.metrics_port or 0)
    except OSError as error:
        place = f"{settings.metrics_host}, port {settings.metrics_port}"
        _stop(f"cannot show metrics on {place} (EBBMARK_METRICS_PORT): {error.strerror}")
    return f"http://{settings.metrics_host}:{port}/metrics"


def check_settings() -> bool:
    """Read the settings and every file of the site that they name, and say what is wrong with each.

    Returns:
        Whether all can be used; what cannot was said on standard error.
    """
    settings = _settings_or_none()
    places = settings.places if settings is not None else places_in_environment()
    faults, named = faults_of(**places)
    if settings is not None:
        try:
            # All that stops the start beside the site's files, which were read just now.
            create_app(settings.model_copy(update=dict.fromkeys(places)))
        except (ValueError, Rejected) as error:
            faults.append(f"{str(error).rstrip('.')}.")
    for fault in faults:
        print(fault, file=sys.stderr)
    whole = settings is not None and not faults
    if whole:
        for remark in remarks_on(files_of(**places), today=datetime.now(UTC).date()):
            print(f"Look at {remark}", file=sys.stderr)
        by = "one setting" if named == 1 else f"{named} settings"
        files = f", and so can the site's files (named by {by})" if named else "; no file of the site is named"
        print(f"The settings can be read{files}.")
    return whole


def bridge() -> None:
    """Carry device messages in HL7 v2 to the record until told to stop."""
    from ebbmark.bridge.delivery import Bridge
    from ebbmark.bridge.hl7v2 import Limits, listen, server_tls
    from ebbmark.bridge.observed import SiteRules

    settings = _settings()
    record = _record(settings, "The bridge")
    loopback = settings.bridge_host in ("127.0.0.1", "::1", "localhost")
    if not (loopback or settings.bridge_networks or settings.bridge_client_authorities):
        _stop(
            "EBBMARK_BRIDGE_HOST is not this machine: say who may send, in EBBMARK_BRIDGE_NETWORKS or by "
            "EBBMARK_BRIDGE_CLIENT_AUTHORITIES."
        )
    try:
        tls = server_tls(settings.bridge_certificate, settings.bridge_client_authorities)
        codes = codes_of(files_of(code_map=settings.code_map, charting=settings.charting))
    except (ValueError, Rejected) as error:
        _stop(f"{str(error).rstrip('.')}.")
    zone = ZoneInfo(settings.bridge_time_zone) if settings.bridge_time_zone else None
    rules = SiteRules(settings.bridge_assigners, zone, codes)
    limits = Limits(networks=settings.bridge_networks, drain_s=settings.drain_s)
    log_as_json(settings.log_level)
    host, port = settings.bridge_host, settings.bridge_port
    watch, _ = watch_of(metrics=settings.metrics_port is not None, traces_to=None, traces_share=0.0)
    metrics = _metrics_shown(watch.meters, settings)
    trail = AuditTrail(time.time, record if settings.audit_to == "record" else None, settings.audit_names_patient)

    async def run() -> None:
        stopping = asyncio.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            asyncio.get_running_loop().add_signal_handler(number, stopping.set)
        async with record:
            carrying = Bridge(record, rules, new_identity=lambda: uuid4().hex[:20], note=trail.note, watch=watch)
            started = partial(_bridge_started, host, f"MLLP{' over TLS' if tls else ''}; metrics: {metrics}")
            await listen(
                carrying.answer, host=host, port=port, limits=limits, stopping=stopping, started=started, tls=tls
            )

    try:
        asyncio.run(run())
    except OSError as error:
        _stop(f"the bridge cannot listen on {host}, port {port}: {error.strerror}")


def _bridge_started(host: str, how: str, port: int) -> None:
    print(f"Ebbmark {__version__} bridge listens on {host}, port {port} ({how})", file=sys.stderr, flush=True)


def context_in_settings(at_s: float) -> RequestContext:
    """What requests are read with at an instant, as the settings and the site's own files say."""
    settings = _settings()
    try:
        own = files_of(**settings.site_files)
        site, codes = site_of(own), codes_of(own)
        use_messages(files_of(messages=settings.messages))
    except (ValueError, Rejected) as error:
        _stop(f"{str(error).rstrip('.')}.")
    return RequestContext(at_s, site, code_map=codes, accept_preliminary=settings.accept_preliminary)


def inputs_from_record(answer: bytes) -> Inputs:
    """Read the inputs that an answer names from the configured record, in the versions that it names.

    Raises:
        Rejected: the answer is none, or the record cannot be read.
    """
    settings = _settings()
    try:
        needs = needs_of(read_stored(answer))
    except NotAnAnswer as error:
        raise not_an_answer(error) from error
    return asyncio.run(_inputs(needs, _record(settings, "--inputs record")))


def observations_from_record(
    patient: str, *, hours: float, context: RequestContext
) -> tuple[bytes, str, tuple[str, ...]]:
    """Read the Observations of a patient from the configured record, whatever their codes.

    Args:
        patient: `Patient/1`.
        context: the present instant, and what the data are read with.

    Returns:
        A Bundle with the patient's Observations, how it was read, and what the titration reads there.

    Raises:
        Rejected: this is no patient of the record.
    """
    met, trial = asyncio.run(_charted(patient, hours, context, _record(_settings(), "--patient")))
    if isinstance(met, str):
        _stop(f"The Observations could not be read from the record: {met}.")
    return met, f"Searched: Observation by patient and date, of the last {hours:g} hours.", trial


def check_record(test_patient: str | None, *, at_s: float) -> Report:
    """Check what the configured record can do for this service.

    Args:
        test_patient: `Patient/1`, to which a dry run may write; None to write nothing.
    """
    settings = _settings()
    return asyncio.run(_checked(_record(settings, "check-record"), settings, test_patient, at_s))


def export_record(folder: Path, **chosen: Any) -> Exported | None:  # noqa: ANN401 - handed through to `bulk_export`
    """Export the configured record in bulk, for a review; None where it is not whole, and why was said."""
    from ebbmark.review.bulk_export import ExportStopped, bulk_export

    record = _record(_settings(), "export")

    async def exported() -> Exported:
        async with record:
            return await bulk_export(record, folder, **chosen)

    try:
        return asyncio.run(exported())
    except (ExportStopped, OSError) as error:
        print(error, file=sys.stderr)
        return None


async def _checked(record: RecordClient, settings: Settings, test_patient: str | None, at_s: float) -> Report:
    from ebbmark.use_cases.check_record import Asking, Report, Verdict, check_reading
    from ebbmark.use_cases.check_writing import check_writing

    report = Report(record.settings.base_url)
    asking = Asking(record, report, time.monotonic, time.time)
    async with record:
        if await check_reading(asking, scope=settings.record_scope) and test_patient is not None:
            key, writes = uuid4().hex, settings.record_writes
            await check_writing(asking, test_patient, recorded=instant(at_s), key=key, writes=writes)
    if test_patient is None:
        report.add("Write", Verdict.NOT_CHECKED, "Nothing was written; --write-to Patient/ID names a test patient.")
    return report


async def _charted(
    patient: str, hours: float, context: RequestContext, record: RecordClient
) -> tuple[bytes | str, tuple[str, ...]]:
    async with record:
        met = await charted_in_record(patient, hours=hours, at_s=context.at_s, record=record)
        return met, () if isinstance(met, str) else await titration_reads(patient, context, record=record)


def _record(settings: Settings, needed_by: str) -> RecordClient:
    """A client of the configured record."""
    record_settings, fault = record_settings_of(settings), unusable_address(settings)
    if record_settings is None or fault is not None:
        _stop(f"{fault or f'No record is configured: {needed_by} needs EBBMARK_RECORD_BASE_URL'}.")
    try:
        tls = client_tls(
            certificate=settings.record_certificate,
            key=settings.record_certificate_key,
            authorities=settings.record_authorities,
        )
        tokens = sign_in_of(settings, own_keys(settings.signing_keys), tls)
        return RecordClient(record_settings, tls=tls, tokens=tokens)
    except ValueError as error:
        _stop(f"{error}.")


async def _inputs(needs: Needs, record: RecordClient) -> Inputs:
    async with record:
        found = await inputs_of(needs, record)
    return Inputs([(url, dict(one)) for url, one in found.resources], current=found.current)


def _settings() -> Settings:
    settings = _settings_or_none()
    if settings is None:
        raise SystemExit(USAGE)
    return settings


def _settings_or_none() -> Settings | None:
    """The settings; None where one cannot be used, and why was said."""
    unknown = unknown_names()
    for name, meant in unknown:
        perhaps = f" Is {meant} meant?" if meant else ""
        print(f"{name}: there is no such setting.{perhaps}", file=sys.stderr)
    try:
        settings = Settings()
    except ValidationError as error:
        for fault in error.errors(include_input=False, include_url=False):
            print(fault_said(fault["type"], fault["msg"], fault["loc"]), file=sys.stderr)
        return None
    except SettingsError as error:
        # Its words name the field in quotation marks, and nothing of the value.
        name = str(error).split('"')[1].upper() if '"' in str(error) else ""
        print(f'EBBMARK_{name}: not JSON; a list is needed, as in ["..."]', file=sys.stderr)
        return None
    return None if unknown else settings


def _stop(reason: str) -> NoReturn:
    print(reason, file=sys.stderr)
    raise SystemExit(USAGE)


def _listener(host: str, port: int) -> socket.socket:
    listener = socket.create_server(
        (host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET, backlog=BACKLOG
    )
    # Head and body leave as two pieces: without this the second waits 40 ms for the first to be acknowledged. The
    # event loop sets it only on sockets that it made itself.
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listener
