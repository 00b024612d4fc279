"""The addresses of a launch: in from a record, in from outside one, back from its sign-in, and out.

Pages for people, not part of the API: they are not in the OpenAPI document.
"""

from __future__ import annotations

from typing import Final
from urllib.parse import parse_qs, quote

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from ebbmark.record.address_guard import AddressRefusal, refusal_of
from ebbmark.web.body import read_body
from ebbmark.web.launch.door import SmartDoor
from ebbmark.web.launch.launching import begun, ended, left
from ebbmark.web.launch.refusal import Why, refused
from ebbmark.web.launch.session import CALLBACK, SmartClient
from ebbmark.web.theme.pages import page_response, templates_of

__all__ = ["form_field", "launch_router"]

_TEMPLATES = templates_of("ebbmark.web.launch")
_SEE_OTHER: Final = 303
LONGEST_FORM = 20_000
LONGEST_SHOWN = 200


def launch_router(door: SmartDoor) -> APIRouter:
    """The routes.

    Args:
        door: the door behind them.
    """
    router = APIRouter(include_in_schema=False)

    @router.get("/launch")
    async def launch(request: Request) -> Response:
        client = _client(door, request)
        handles = request.query_params.getlist("launch")
        if len(handles) != 1 or not handles[0]:
            raise refused(Why.NO_LAUNCH)
        return RedirectResponse(await begun(door, request, client, handles[0]), _SEE_OTHER)

    @router.get("/launch/standalone")
    async def standalone(request: Request) -> Response:
        if "iss" not in request.query_params and len(door.clients) > 1:
            return _page(door, "choose.html", title="Which record?", records=_choices(door))
        one = _client(door, request) if "iss" in request.query_params else next(iter(door.clients.values()))
        return RedirectResponse(await begun(door, request, one, None), _SEE_OTHER)

    @router.get(CALLBACK)
    @router.get(f"{CALLBACK}/{{record}}")
    async def callback(request: Request) -> Response:
        session = await ended(door, request)
        return RedirectResponse(f"{door.cookies.root}/app/{session.tab}/", _SEE_OTHER)

    @router.get("/app/{tab}/leave")
    async def ask_to_leave(request: Request) -> Response:
        session = door.kept_session_of(request)
        return _page(door, "leave.html", title="Leave this patient's page?", csrf=door.csrf_of(session))

    @router.post("/app/{tab}/leave")
    async def leave(request: Request) -> Response:
        outcome = await left(door, request, await form_field(request, "csrf"))
        return _page(door, "left.html", title="You have left", sentence=outcome.value)

    return router


async def form_field(request: Request, name: str) -> str | None:
    """One field of a short form; None where it is missing or there more than once.

    Raises:
        Rejected: the form is longer than any of ours.
    """
    body = await read_body(request.stream(), LONGEST_FORM)
    values = parse_qs(body.decode("ascii", "replace")).get(name, [])
    return values[0] if len(values) == 1 else None


def _client(door: SmartDoor, request: Request) -> SmartClient:
    named = request.query_params.getlist("iss")
    if len(named) != 1 or not named[0]:
        raise refused(Why.NO_ISS)
    client = door.clients.get(named[0].rstrip("/"))
    if client is None:
        raise refused(Why.NOT_LISTED, _shown(named[0]))
    return client


def _shown(address: str) -> str:
    """What was named, where it is a plain address; any other text could say anything to the reader."""
    plain = refusal_of(address, (address,)) is not AddressRefusal.UNREADABLE and len(address) <= LONGEST_SHOWN
    return f"Named was {address}." if plain else "What was named is not a plain address."


def _choices(door: SmartDoor) -> list[tuple[str, str]]:
    return [(one.title, quote(one.iss, safe="")) for one in door.settings.clients]


def _page(door: SmartDoor, template: str, **values: object) -> Response:
    body = _TEMPLATES.get_template(template).render(root=door.cookies.root, **values)
    return page_response(body, frame_ancestors=door.settings.frame_ancestors)
