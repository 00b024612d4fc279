"""The pages in a record: who the patient is stands in the session of the tab, and nowhere in the address.

The routes are there whether or not a record may open them, so that the published document of every service is the same.
"""

from __future__ import annotations

import time

from fastapi import APIRouter, Request

from ebbmark.record.shelf import Shelf
from ebbmark.web.launch.door import SmartDoor
from ebbmark.web.look.refusal import PageRefused
from ebbmark.web.page.record_source import RecordSource, Rules
from ebbmark.web.page.rendering import Pages
from ebbmark.web.page.routes import patient_router

__all__ = ["record_router"]


def record_router(smart: SmartDoor | None, rules: Rules, pages: Pages) -> APIRouter:
    """The pages of every tab.

    Args:
        smart: gives the session of a tab, and the record with its access; None where no record may open pages.
        rules: what the pages were configured with.
        pages: how pages are made.
    """

    async def door(request: Request) -> RecordSource:
        if smart is None:
            raise PageRefused(404, "No pages of a record", "No record may open pages of this service.")
        session = await smart.session_of(request)
        return RecordSource(
            session=session,
            record_client=smart.record_of(session),
            reading=smart.record_of(session, Shelf()),
            actor=smart.actor_of(request, session.iss, session.fhir_user),
            csrf=smart.csrf_of(session),
            at_s=time.time(),
            rules=rules,
        )

    return patient_router("/app/{tab}", door, pages)
