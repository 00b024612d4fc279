"""The addresses below one patient, the same for the demo and for a record, and the doors of both."""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Awaitable, Callable
from functools import partial
from hashlib import sha256
from typing import Final

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from ebbmark.fhir.problems import Rejected, status_of
from ebbmark.fhir.reading.site import Site
from ebbmark.record.retry import ViewCache
from ebbmark.views.sheet import Part
from ebbmark.web.launch.access import SmartLaunch
from ebbmark.web.page.after_pages import show_after, show_days
from ebbmark.web.page.answer_pages import Live, live_of, show_answer, show_report
from ebbmark.web.page.answer_view import drawn as figure_drawn
from ebbmark.web.page.before_pages import show_before, show_plan
from ebbmark.web.page.by_hand import enter_steps, show_entry
from ebbmark.web.page.decision import CHOSEN, form_of, note_reason, record_results, review_results
from ebbmark.web.page.demo import SCENARIOS, DemoSource, source_of
from ebbmark.web.page.documentation import documented
from ebbmark.web.page.frame import Pages, frame_of
from ebbmark.web.page.learning import show_learning
from ebbmark.web.page.record_source import RecordSource, Rules
from ebbmark.web.page.source import Choice, TrialSource
from ebbmark.web.page.words import clinical_sentences, clock
from ebbmark.web.theme import PageRefused, page_response

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

Door = Callable[[Request], Awaitable[TrialSource]]
"""From a request to the patient it is about."""


def patient_router(prefix: str, door: Door, pages: Pages) -> APIRouter:
    """The routes.

    Args:
        prefix: of all paths, with the path parameter that names the patient or the tab.
    """
    router = APIRouter(prefix=prefix, tags=["page"])

    def shown(show: Callable[[TrialSource, Pages], Awaitable[Response]]) -> Callable[[Request], Awaitable[Response]]:
        async def route(request: Request) -> Response:
            return await _shown(show, await door(request), pages)

        return route

    async def answer(request: Request) -> Response:
        return await _shown(partial(show_answer, choice=_chosen(request)), await door(request), pages)

    async def report(request: Request) -> Response:
        part: Part = "everything" if request.query_params.get("part") == "everything" else "answer"
        return await _shown(partial(show_report, part=part, choice=_chosen(request)), await door(request), pages)

    async def running(request: Request) -> Response:
        return await _running(request, await door(request), pages)

    async def acknowledged_plan(request: Request) -> Response:
        source = await door(request)
        form = await form_of(request, source)
        return await _shown(partial(show_plan, acknowledged=form.all("acknowledged")), source, pages)

    async def review(request: Request) -> Response:
        choice = _chosen(request)
        return await _shown(partial(review_results, choice=choice), await door(request), pages)

    async def record(request: Request) -> Response:
        return await _shown(partial(record_results, request), await door(request), pages)

    async def enter(request: Request) -> Response:
        return await _shown(partial(enter_steps, request), await door(request), pages)

    async def not_now(request: Request) -> Response:
        return await _shown(partial(note_reason, request), await door(request), pages)

    for path, method, route in (
        ("/", "GET", answer),
        ("/before", "GET", shown(show_before)),
        ("/running", "GET", running),
        ("/after", "GET", shown(show_after)),
        ("/days", "GET", shown(show_days)),
        ("/plan", "GET", shown(show_plan)),
        ("/plan", "POST", acknowledged_plan),
        ("/report", "GET", report),
        ("/record", "GET", review),
        ("/record", "POST", record),
        ("/not-now", "POST", not_now),
        ("/steps", "GET", shown(show_entry)),
        ("/steps", "POST", enter),
    ):
        router.add_api_route(path, route, methods=[method], **documented(path, method))
    return router


def _chosen(request: Request) -> Choice:
    """What the address says of a choice."""
    query = request.query_params
    report = query.get("with-report") == CHOSEN
    peep = query.get("other", "").strip() or query.get("peep", "")
    return Choice(with_report=report, peep=peep, because=query.get("because", ""))


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
    unchanged = await _unchanged(request, source, pages)
    if unchanged is not None:
        return unchanged
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
        headers = {"etag": tag, AS_OF: live.as_of, READ: f"{source.at_s:.3f}", "cache-control": "no-store"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        if figure and request.headers.get(DRAWN) != shown:
            part = render(drawn=await asyncio.to_thread(figure_drawn, figure))
        return Response(part, media_type="text/html; charset=utf-8", headers=headers)
    return await _shown(partial(_running_page, live, tag, shown), source, pages)


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


def _refused(rejected: Rejected) -> PageRefused:
    """A refusal as a page that names every problem."""
    first, *others = clinical_sentences(rejected.problems)
    return PageRefused(
        status_of(rejected.problems), "This cannot be shown", " ".join((first, *others)), todo=("Try it again later.",)
    )


_OPENED = re.compile(r"[0-9]{1,10}")
_BY_SLUG = {one.slug: one for one in SCENARIOS}


def demo_router(site: Site, pages: Pages, *, wall_s: Callable[[], float] = time.time) -> APIRouter:
    """The list, and the pages of each scenario.

    Args:
        site: what the site has decided.
        wall_s: seconds since 1970-01-01T00:00:00Z.
    """
    # Not in the published document: what is invented is served only where somebody asks for the demo.
    router = APIRouter(include_in_schema=False)

    @router.get("/demo/")
    async def demos() -> Response:
        body = pages.body("demos.html", scenarios=SCENARIOS, invented="Demo")
        return page_response(body, frame_ancestors=pages.frame_ancestors)

    @router.get("/demo/learning")
    async def learning(request: Request) -> Response:
        return await show_learning(request, site, pages)

    @router.get("/demo/{scenario}")
    async def opened(request: Request) -> Response:
        return _start(request.path_params["scenario"], "")

    async def door(request: Request) -> DemoSource:
        slug, _, opened = str(request.path_params["scenario"]).partition(".")
        found = _BY_SLUG.get(slug)
        if found is None or (opened and not _OPENED.fullmatch(opened)):
            raise _unknown()
        return source_of(found, float(opened or wall_s()), wall_s(), site)

    def _start(scenario: str, page: str) -> Response:
        """To the page; of a running demo to one that remembers in its address when it was opened."""
        found = _BY_SLUG.get(scenario)
        if found is None:
            raise _unknown()
        opened = f".{wall_s():.0f}" if found.running else ""
        return RedirectResponse(f"{pages.root}/demo/{scenario}{opened}/{page or found.first}", status_code=303)

    router.include_router(patient_router("/demo/{scenario}", door, pages), include_in_schema=False)
    return router


def _unknown() -> PageRefused:
    sentence = "There is no such demo."
    return PageRefused(404, "Not a demo", sentence, todo=("Open the list of demos at /demo/.",))


def record_door(smart: SmartLaunch | None, rules: Rules) -> Callable[[Request], Awaitable[RecordSource]]:
    """From a request of a tab to its patient.

    Args:
        smart: gives the session of a tab, and the record with its access; None where no record may open pages.
        rules: what the pages were configured with.
    """

    async def door(request: Request) -> RecordSource:
        if smart is None:
            raise PageRefused(404, "No pages of a record", "No record may open pages of this service.")
        until_s = asyncio.get_running_loop().time() + rules.deadline_s
        session = await smart.session_of(request)
        return RecordSource(
            session=session,
            record_client=smart.record_of(session),
            reading=smart.record_of(session, ViewCache()),
            actor=smart.actor_of(request, session.iss, session.fhir_user),
            csrf=smart.csrf_of(session),
            at_s=time.time(),
            rules=rules,
            until_s=until_s,
        )

    return door
