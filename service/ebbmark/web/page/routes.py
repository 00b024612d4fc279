"""The addresses below one patient, the same for the demo and for a record, and what OpenAPI says of each."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from hashlib import sha256
from typing import Any, Final, Literal

from fastapi import APIRouter, Request, Response

from ebbmark.fhir.problems import Rejected, status_of
from ebbmark.fhir.writing.entered import ENTERED
from ebbmark.views.sheet import ReportPart
from ebbmark.web.documentation import query_parameter
from ebbmark.web.page.after_pages import show_after, show_days
from ebbmark.web.page.answer_pages import show_answer, show_report
from ebbmark.web.page.before_pages import show_before, show_plan
from ebbmark.web.page.by_hand import enter_steps, show_entry
from ebbmark.web.page.decision import CHOSEN, note_reason, record_results, review_results
from ebbmark.web.page.frame import Pages, form_of, frame_of
from ebbmark.web.page.frame import drawn as figure_drawn
from ebbmark.web.page.running_view import Live, live_of
from ebbmark.web.page.source import Choice, TrialSource
from ebbmark.web.page.words import clinical_sentences, clock
from ebbmark.web.theme import PageRefused
from ebbmark.words.messages import say

AS_OF: Final = "Ebbmark-As-Of"
"""The time of day at which a running trial was looked at, for the page that renews itself."""

DRAWN: Final = "Ebbmark-Drawn"
"""Which figure that page shows already: it is neither drawn nor sent again while only the words around it change."""

READ: Final = "Ebbmark-Read"
"""When what the page shows was read [s since 1970-01-01T00:00:00Z]: sent back with the next look."""

LONGEST_UNREAD_S: Final = 20.0
"""After so long all is read anew, whether or not anything came [s]: ages on the page, and what follows from them, are
never further behind than that. Our choice."""

_SECONDS: Final = re.compile(r"[0-9]{1,12}\.[0-9]{3}")

SourceOf = Callable[[Request], Awaitable[TrialSource]]
"""From a request to the patient it is about."""


def patient_router(prefix: str, source_of: SourceOf, pages: Pages) -> APIRouter:
    """The routes.

    Args:
        prefix: of all paths, with the path parameter that names the patient or the tab.
    """
    router = APIRouter(prefix=prefix, tags=["page"])
    for one in _PAGES:
        router.add_api_route(one.path, _route(one, source_of, pages), methods=[one.method], **_documented(one))
    return router


def _route(page: _Page, source_of: SourceOf, pages: Pages) -> Callable[[Request], Awaitable[Response]]:
    async def route(request: Request) -> Response:
        source = await source_of(request)
        try:
            return await page.show(request, source, pages)
        except Rejected as rejected:
            # What cannot be answered is refused as a page too.
            sentence = " ".join(clinical_sentences(rejected.problems))
            passes = all(problem.kind.is_transient for problem in rejected.problems)
            todo = (say("page-refused.later"),) if passes else ()
            status, title = status_of(rejected.problems), say("page-refused.cannot-show")
            raise PageRefused(status, title, sentence, todo=todo) from None

    return route


def _chosen(request: Request) -> Choice:
    """What the address says of a choice."""
    query = request.query_params
    report = query.get("with-report") == CHOSEN
    peep = query.get("other", "").strip() or query.get("peep", "")
    return Choice(with_report=report, peep=peep, because=query.get("because", ""))


async def _answer(request: Request, source: TrialSource, pages: Pages) -> Response:
    return await show_answer(source, pages, _chosen(request))


async def _report(request: Request, source: TrialSource, pages: Pages) -> Response:
    part: ReportPart = "everything" if request.query_params.get("part") == "everything" else "answer"
    return await show_report(source, pages, part, _chosen(request))


async def _acknowledged_plan(request: Request, source: TrialSource, pages: Pages) -> Response:
    form = await form_of(request, source)
    return await show_plan(source, pages, form.all("acknowledged"))


async def _review(request: Request, source: TrialSource, pages: Pages) -> Response:
    return await review_results(source, pages, _chosen(request))


async def _running(request: Request, source: TrialSource, pages: Pages) -> Response:
    """The page of a running trial, or only the part of it that changes."""
    unchanged = await _unchanged(request, source, pages)
    if unchanged is not None:
        return unchanged
    live = await live_of(source, pages.zone)
    figure = live.view.figure if live.view else None
    shown = sha256(repr(figure).encode()).hexdigest()[:32]
    render = partial(pages.body, "running_fragment.html", view=live.view, live=live, shown=shown)
    part = render(drawn=None)
    # What is drawn follows from the figure that is named in the part, so that the tag is known before drawing.
    tag = f'"{sha256(part.encode()).hexdigest()[:32]}"'
    if "fragment" in request.query_params:
        headers = {"etag": tag, AS_OF: live.as_of, READ: f"{source.at_s:.3f}", "cache-control": "no-store"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        if figure and request.headers.get(DRAWN) != shown:
            part = render(drawn=await asyncio.to_thread(figure_drawn, figure))
        return Response(part, media_type="text/html; charset=utf-8", headers=headers)
    return await _running_page(live, tag, shown, source, pages)


async def _unchanged(request: Request, source: TrialSource, pages: Pages) -> Response | None:
    """That nothing has changed, where the part was read a moment ago and the record says that nothing came since.

    What is shown depends on the time of day, too, so that it is read anew from time to time whatever the record says.
    """
    tag, read = request.headers.get("if-none-match"), request.headers.get(READ, "")
    if "fragment" not in request.query_params or not tag or not _SECONDS.fullmatch(read):
        return None
    if not 0.0 <= source.at_s - float(read) <= LONGEST_UNREAD_S or not await source.nothing_new_since(float(read)):
        return None
    headers = {"etag": tag, AS_OF: clock(source.at_s, pages.zone), READ: read, "cache-control": "no-store"}
    return Response(status_code=304, headers=headers)


async def _running_page(live: Live, tag: str, shown: str, source: TrialSource, pages: Pages) -> Response:
    figure = live.view.figure if live.view else None
    return pages.page(
        "running.html",
        await frame_of(source, pages.zone),
        here="running",
        view=live.view,
        live=live,
        shown=shown,
        drawn=await asyncio.to_thread(figure_drawn, figure) if figure else None,
        looked=live.as_of,
        read=f"{source.at_s:.3f}",
        every_s=source.every_s,
        now_ms=round(1000 * source.at_s),
        speed=source.speed,
        tag=tag,
    )


_CSRF: Final = {"csrf": "as on the page"}


@dataclass(frozen=True, slots=True)
class _Page:
    """One route, and what OpenAPI says of it.

    Attributes:
        query: parameters after the `?`, each with what is accepted.
    """

    path: str
    method: Literal["GET", "POST"]
    show: Callable[[Request, TrialSource, Pages], Awaitable[Response]]
    name: str
    summary: str
    description: str = ""
    query: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    fields: Mapping[str, str] = field(default_factory=dict)


_PAGES: Final = (
    _Page("/", "GET", _answer, "Answer", "The answer to the latest trial"),
    _Page(
        "/before",
        "GET",
        lambda _, source, pages: show_before(source, pages),
        "Before",
        "What speaks for a trial and against it, and what to ask now",
    ),
    _Page(
        "/running",
        "GET",
        _running,
        "Running",
        "A trial in progress",
        "With `fragment` in the query only the part that changes, with an ETag and the header Ebbmark-As-Of."
        " A request that names in Ebbmark-Drawn the figure it has gets no drawings of it again;"
        " one that sends back Ebbmark-Read of the reply before gets 304 where the record says that nothing came since.",
        query={"fragment": ("",)},
    ),
    _Page(
        "/after",
        "GET",
        lambda _, source, pages: show_after(source, pages),
        "After",
        "What changed at the new settings, other markers, and whether it still holds",
    ),
    _Page("/days", "GET", lambda _, source, pages: show_days(source, pages), "Days", "The trials of the last days"),
    _Page(
        "/plan",
        "GET",
        lambda _, source, pages: show_plan(source, pages),
        "Plan",
        "The plan of a trial",
        "Without high-pressure recruitment.",
    ),
    _Page(
        "/plan",
        "POST",
        _acknowledged_plan,
        "AcknowledgedPlan",
        "The plan, with what a clinician has acknowledged",
        fields={**_CSRF, "acknowledged": "what was looked at; repeats"},
    ),
    _Page(
        "/report",
        "GET",
        _report,
        "Report",
        "The answer as PDF: on one sheet, or everything behind it",
        query={"part": ("everything",)},
    ),
    _Page(
        "/record",
        "GET",
        _review,
        "Review",
        "What would be recorded",
        "Nothing is written.",
        query={"with-report": ("true",)},
    ),
    _Page(
        "/record",
        "POST",
        record_results,
        "Record",
        "Record the results that were shown",
        "Refused if the answer has changed since; one transaction.",
        fields={
            **_CSRF,
            "identity": "of the answer that was shown",
            "with-report": "true for the report",
            "peep": "chosen instead of the suggested one; empty where none was",
            "because": "code of the reason for that",
            "make-current": "true to make results current again that were marked superseded",
        },
    ),
    _Page(
        "/not-now",
        "POST",
        note_reason,
        "NotNow",
        "Say why results are not recorded now",
        "A reason of the list; emitted as an event without the patient.",
        fields={**_CSRF, "reason": "code of the reason"},
    ),
    _Page(
        "/steps",
        "GET",
        lambda _, source, pages: show_entry(source, pages),
        "Steps",
        "Enter a trial by hand",
        "One row a reading; nothing is kept here.",
    ),
    _Page(
        "/steps",
        "POST",
        enter_steps,
        "Steps",
        "What the typed rows say so far, or record them",
        "With `fragment` in the query only what was computed.",
        query={"fragment": ("",)},
        fields={
            **_CSRF,
            "time": "hours:minutes of a row; repeats, as every quantity does",
            **{one.name: f"{one.label} [{one.unit}]" for one in ENTERED},
            "rhythm": "a new heart rhythm: system|code of one that the site signed to stop at, or `other`",
            "do": "look, review or record",
        },
    ),
)

_HTML: dict[str, Any] = {"text/html": {"schema": {"type": "string"}}}
_PDF: dict[str, Any] = {"application/pdf": {"schema": {"type": "string", "format": "binary"}}}
_PAGE: dict[str, Any] = {"description": "A page.", "content": _HTML}

_TAB = "The tab that a launch opened; its session stands in a cookie of this path."

_REFUSED = {
    401: "The tab has no session, or it has ended: open the page again from the record.",
    403: "Not for this caller, or not sent from a page of ours.",
    404: "There is no such page, or no record may open pages here.",
    409: "The answer changed since it was shown.",
    415: "Not a form.",
    422: "The form lacks what is needed.",
    429: "Too many requests of this tab; Retry-After says when to ask again.",
    502: "The record did not give what was asked for, or did not take what was sent.",
    503: "The access could not be renewed just now.",
}
_RETRY_AFTER: dict[str, Any] = {
    "Retry-After": {"description": "With 429: after how many seconds to ask again.", "schema": {"type": "integer"}}
}
_CLIENT_ERRORS, _SERVER_ERRORS = 4, 5
_OF_A_FORM = frozenset({409, 415, 422})


def _documented(page: _Page) -> dict[str, Any]:
    refused = {status: text for status, text in _REFUSED.items() if page.fields or status not in _OF_A_FORM}
    extra: dict[str, Any] = {
        "parameters": [
            {"name": "tab", "in": "path", "required": True, "description": _TAB, "schema": {"type": "string"}},
            *[query_parameter(name, accepted=accepted) for name, accepted in page.query.items()],
        ]
    }
    if page.fields:
        properties = {name: {"type": "string", "description": text} for name, text in page.fields.items()}
        form = {"schema": {"type": "object", "required": ["csrf"], "properties": properties}}
        extra["requestBody"] = {"required": True, "content": {"application/x-www-form-urlencoded": form}}
    return {
        "summary": page.summary,
        "description": page.description or page.summary + ".",
        "operation_id": f"show{page.name}" if page.method == "GET" else f"send{page.name}",
        "response_class": Response,
        "responses": {
            200: {"description": "The sheet.", "content": _PDF} if page.show is _report else _PAGE,
            **({304: {"description": "Nothing has changed."}} if page.show is _running else {}),
            **{
                f"{kind}XX": {
                    "description": " ".join(
                        f"{status}: {text}" for status, text in refused.items() if status // 100 == kind
                    ),
                    "content": _HTML,
                    **({"headers": _RETRY_AFTER} if kind == _CLIENT_ERRORS else {}),
                }
                for kind in (_CLIENT_ERRORS, _SERVER_ERRORS)
            },
        },
        "openapi_extra": extra,
    }
