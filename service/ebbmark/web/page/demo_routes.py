"""The demo's routes: the list of scenarios, and below each the pages of its invented patient."""

from __future__ import annotations

import re
import time
from collections.abc import Callable

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from ebbmark.fhir.bedside.site import Site
from ebbmark.web.look.refusal import PageRefused
from ebbmark.web.look.rendering import page_response
from ebbmark.web.page.demo import DemoSource, source_of
from ebbmark.web.page.demo_scenarios import SCENARIOS
from ebbmark.web.page.rendering import Pages
from ebbmark.web.page.routes import patient_router

__all__ = ["demo_router"]

_OPENED = re.compile(r"[0-9]{1,10}")
_BY_SLUG = {one.slug: one for one in SCENARIOS}


def demo_router(site: Site, pages: Pages, *, wall_s: Callable[[], float] = time.time) -> APIRouter:
    """The list, and the pages of each scenario.

    Args:
        site: what the site has decided.
        pages: how pages are made.
        wall_s: seconds since 1970-01-01T00:00:00Z.
    """
    # Not in the published document: what is invented is served only where somebody asks for the demo.
    router = APIRouter(include_in_schema=False)

    @router.get("/demo/")
    async def demos() -> Response:
        body = pages.body("demos.html", scenarios=SCENARIOS, invented="Demo")
        return page_response(body, frame_ancestors=pages.frame_ancestors)

    @router.get("/demo/{scenario}")
    async def opened(scenario: str) -> Response:
        return _start(scenario, "")

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
