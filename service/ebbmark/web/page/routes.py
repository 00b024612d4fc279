"""The routes below one patient: answer, running trial, plan, and the two human acts. The same for demo and record."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from functools import partial
from hashlib import sha256
from typing import Final

from fastapi import APIRouter, Request, Response

from ebbmark.fhir.problems import Rejected, status_of
from ebbmark.web.look.refusal import PageRefused
from ebbmark.web.page.clinical import in_clinical_words
from ebbmark.web.page.deciding import form_of
from ebbmark.web.page.documentation import documented
from ebbmark.web.page.figure_view import running_drawn
from ebbmark.web.page.frame import frame_of
from ebbmark.web.page.planning_pages import show_plan
from ebbmark.web.page.recording_pages import CHOSEN, note_reason, record_results, review_results
from ebbmark.web.page.rendering import Pages
from ebbmark.web.page.showing import Live, live_of, show_answer, show_report
from ebbmark.web.page.source import Choice, TrialSource

__all__ = ["AS_OF", "DRAWN", "Door", "patient_router"]

AS_OF: Final = "Ebbmark-As-Of"
"""The time of day at which a running trial was looked at, for the page that renews itself."""

DRAWN: Final = "Ebbmark-Drawn"
"""Which figure that page shows already: it is neither drawn nor sent again while only the words around it change."""

Door = Callable[[Request], Awaitable[TrialSource]]
"""From a request to the patient it is about."""


def patient_router(prefix: str, door: Door, pages: Pages) -> APIRouter:
    """The routes.

    Args:
        prefix: of all paths, with the path parameter that names the patient or the tab.
        door: who the patient is.
        pages: how pages are made.
    """
    router = APIRouter(prefix=prefix, tags=["page"])

    async def answer(request: Request) -> Response:
        return await _shown(show_answer, await door(request), pages)

    async def running(request: Request) -> Response:
        return await _running(request, await door(request), pages)

    async def plan(request: Request) -> Response:
        return await _shown(show_plan, await door(request), pages)

    async def acknowledged_plan(request: Request) -> Response:
        source = await door(request)
        form = await form_of(request, source)
        return await _shown(partial(show_plan, acknowledged=form.all("acknowledged")), source, pages)

    async def report(request: Request) -> Response:
        return await _shown(show_report, await door(request), pages)

    async def review(request: Request) -> Response:
        choice = Choice(with_report=request.query_params.get("with-report") == CHOSEN)
        return await _shown(partial(review_results, choice=choice), await door(request), pages)

    async def record(request: Request) -> Response:
        return await _shown(partial(record_results, request), await door(request), pages)

    async def not_now(request: Request) -> Response:
        return await _shown(partial(note_reason, request), await door(request), pages)

    for path, method, route in (
        ("/", "GET", answer),
        ("/running", "GET", running),
        ("/plan", "GET", plan),
        ("/plan", "POST", acknowledged_plan),
        ("/report", "GET", report),
        ("/record", "GET", review),
        ("/record", "POST", record),
        ("/not-now", "POST", not_now),
    ):
        router.add_api_route(path, route, methods=[method], **documented(path, method))
    return router


async def _shown(
    show: Callable[[TrialSource, Pages], Awaitable[Response]], source: TrialSource, pages: Pages
) -> Response:
    """A page; what cannot be answered is refused as a page too."""
    try:
        return await show(source, pages)
    except Rejected as rejected:
        raise _refused(rejected) from None


async def _running(request: Request, source: TrialSource, pages: Pages) -> Response:
    """The page of a running trial, or only the part of it that changes."""
    try:
        live = await live_of(source, pages)
    except Rejected as rejected:
        raise _refused(rejected) from None
    figure = live.view.figure if live.view else None
    shown = sha256(repr(figure).encode()).hexdigest()[:32]
    render = partial(pages.body, "running_fragment.html", view=live.view, live=live, shown=shown)
    part = render(drawn=None)
    # What is drawn follows from the figure that is named in the part, so that the tag is known before drawing.
    tag = f'"{sha256(part.encode()).hexdigest()[:32]}"'
    if "fragment" in request.query_params:
        headers = {"etag": tag, AS_OF: live.as_of, "cache-control": "no-store"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        if figure and request.headers.get(DRAWN) != shown:
            part = render(drawn=await asyncio.to_thread(running_drawn, figure))
        return Response(part, media_type="text/html; charset=utf-8", headers=headers)
    return await _shown(partial(_running_page, live, tag, shown), source, pages)


async def _running_page(live: Live, tag: str, shown: str, source: TrialSource, pages: Pages) -> Response:
    figure = live.view.figure if live.view else None
    return pages.page(
        "running.html",
        await frame_of(source, pages.zone),
        here="running",
        view=live.view,
        live=live,
        shown=shown,
        drawn=await asyncio.to_thread(running_drawn, figure) if figure else None,
        looked=live.as_of,
        every_s=source.every_s,
        tag=tag,
    )


def _refused(rejected: Rejected) -> PageRefused:
    """A refusal as a page that names every problem."""
    first, *others = [in_clinical_words(one) for one in rejected.problems]
    return PageRefused(
        status_of(rejected.problems), "This cannot be shown", " ".join((first, *others)), todo=("Try it again later.",)
    )
