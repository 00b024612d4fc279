"""How often may somebody open pages? Launches are counted by network address, the pages of a record by their tab.

Source: RFC 6585 section 4 (429), RFC 9110 section 10.2.3 (Retry-After).
"""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable

from fastapi import Request

from ebbmark.web.limits import RateLimit, RequestRates
from ebbmark.web.theme.pages import PageRefused

__all__ = ["page_rates"]


def page_rates(limit: RateLimit | None, steady_s: Callable[[], float]) -> Callable[[Request], Awaitable[None]]:
    """A dependency of the routes of pages that counts each request, and refuses one too many as a page.

    Args:
        limit: how often; None for no limit.
        steady_s: seconds that never run back.
    """
    # Buckets of their own: whoever tries many tabs must not push out those of other doors.
    launches = RequestRates(limit) if limit is not None else None
    tabs = RequestRates(limit) if limit is not None else None

    async def counted(request: Request) -> None:
        tab = request.path_params.get("tab")
        if tab is None:
            rates, client = launches, request.client.host if request.client else ""
        else:
            rates, client = tabs, str(tab)
        wait_s = rates.wait_s(client, at_s=steady_s()) if rates is not None else None
        if wait_s is not None:
            seconds = max(1, math.ceil(wait_s))
            raise PageRefused(
                429,
                "Too many requests",
                "This page was asked for too often in a short time, so it is not shown just now. Nothing was written.",
                todo=(f"Load it again in {seconds} s.",),
                headers={"Retry-After": str(seconds)},
            )

    return counted
