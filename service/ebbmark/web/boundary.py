"""The outermost layer: safe headers on every response, and one place where what nobody foresaw becomes a refusal."""

from __future__ import annotations

import logging

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.web.look.refusal import is_of_a_page, refusal_page
from ebbmark.web.responses import SAFE_HEADERS, outcome_response, place_of

__all__ = ["Boundary"]

_LOG = logging.getLogger("ebbmark")


class Boundary:
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
            if is_of_a_page(scope["path"]):
                answer = refusal_page("The service failed", sentence, 500)
            else:
                answer = outcome_response((problem,), 500)
            await answer(scope, receive, send_with_headers)
