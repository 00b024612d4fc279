"""The application: doors, limits, headers, and the one place where an error becomes a response."""

from __future__ import annotations

import gc
import logging
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager

import msgspec
from fastapi import FastAPI, Request, Response
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ebbmark import __version__
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected, operation_outcome, status_of
from ebbmark.fhir.read import NO_CODE_MAP, Limits, read_code_map
from ebbmark.record.client import RecordClient, RecordSettings
from ebbmark.settings import Settings
from ebbmark.web import health
from ebbmark.web.documentation import DESCRIPTION
from ebbmark.web.media import FHIR_JSON
from ebbmark.web.operations import Door, fhir_router

__all__ = ["create_app"]

_LOG = logging.getLogger("ebbmark")

_HEADERS = (
    (b"cache-control", b"no-store"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
)


def create_app(settings: Settings) -> FastAPI:
    """Build the application from its settings.

    Raises:
        Rejected: the site's code map cannot be read.
        ValueError: settings of the record that cannot be used.
    """
    record_settings = _record_settings(settings)
    record = RecordClient(record_settings) if record_settings is not None else None

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        async with AsyncExitStack() as stack:
            if record is not None:
                await stack.enter_async_context(record)
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
    app.include_router(
        fhir_router(
            Door(
                limits=Limits(max_bytes=settings.max_body_bytes, max_entries=settings.max_entries),
                code_map=read_code_map(settings.code_map.read_bytes()) if settings.code_map else NO_CODE_MAP,
                accept_preliminary=settings.accept_preliminary,
                record=record,
                base_url=f"{(settings.base_url or f'http://{settings.host}:{settings.port}').rstrip('/')}/fhir",
            )
        )
    )
    app.include_router(health.router)
    app.add_exception_handler(Rejected, _rejected)
    app.add_exception_handler(HTTPException, _not_routed)
    app.add_middleware(_Boundary)
    return app


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
    )


def _outcome(problems: tuple[Problem, ...], status: int, headers: dict[str, str] | None = None) -> Response:
    return Response(
        msgspec.json.encode(operation_outcome(problems)), status_code=status, media_type=FHIR_JSON, headers=headers
    )


async def _rejected(_: Request, error: Exception) -> Response:
    """Every refusal of ours, with all its problems and all that was ignored."""
    assert isinstance(error, Rejected)  # noqa: S101 - registered for this class only
    return Response(
        msgspec.json.encode(operation_outcome(error.problems, error.ignored)),
        status_code=status_of(error.problems),
        media_type=FHIR_JSON,
    )


async def _not_routed(_: Request, error: Exception) -> Response:
    """What the framework refuses before any door is reached: unknown path or method."""
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for this class only
    kind = ProblemKind.METHOD_NOT_ALLOWED if error.status_code == 405 else ProblemKind.NOT_FOUND
    accepted = "POST /fhir/$titrate-peep, GET /fhir/metadata, GET /health/live, GET /health/ready"
    problem = Problem(
        kind, "", "an address or method that is not served", accepted, f"Not served here. Served: {accepted}."
    )
    return _outcome((problem,), error.status_code, dict(error.headers or {}))


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
                message["headers"] = [*message["headers"], *_HEADERS]
            elif bodiless:
                message["body"] = b""
            await send(message)

        try:
            await self.app(scope, receive, send_with_headers)
        except Exception as error:  # the only one: whatever it is, no stack and no data leave
            _LOG.error("unforeseen %s in %s", type(error).__name__, _place_of(error))
            if started:
                raise
            sentence = (
                "The service failed and gives no answer. Asking again is safe, also where write-back was asked for."
            )
            problem = Problem(ProblemKind.INTERNAL, "", "a fault in this service", "", sentence)
            await _outcome((problem,), 500)(scope, receive, send_with_headers)


def _place_of(error: BaseException) -> str:
    """File and line in which the error arose; the message is left out, since it may quote data."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    if trace is None:
        return "unknown place"
    return f"{trace.tb_frame.f_code.co_filename.rsplit('/', 1)[-1]}:{trace.tb_lineno}"
