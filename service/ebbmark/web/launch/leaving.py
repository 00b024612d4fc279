"""What happens when a clinician leaves: the browser forgets, the record takes its access back, and it is noted.

A copy of the cookie that somebody made before stays readable to this service until it expires, since nothing is kept
here that could say otherwise; the access in it is void where the record takes tokens back.

Source: RFC 7009 section 2 (a refresh token given back takes its access tokens with it, where the server can).
"""

from __future__ import annotations

from enum import Enum

from fastapi import Request

from ebbmark.fhir.writing.audit_event import Access, Deed
from ebbmark.record.authorization_server import SignInFailure
from ebbmark.web.launch.cookies import is_tab, note_cookies
from ebbmark.web.launch.door import SmartDoor
from ebbmark.web.launch.session import Session
from ebbmark.web.look.refusal import PageRefused

__all__ = ["Left", "left"]


class Left(Enum):
    """What became of the access; the value is the sentence that the clinician reads."""

    TAKEN_BACK = "The record has taken back the access that it gave."
    NOT_TAKEN_BACK = (
        "The record does not take back access, or could not be reached: what it gave ends by itself, within the hour "
        "as a rule."
    )
    NOTHING = "There was no session any more."


async def left(door: SmartDoor, request: Request, given: str | None) -> Left:
    """Leave.

    Args:
        door: the door.
        request: gets the cookies that make the browser forget.
        given: the mark of the form.

    Raises:
        PageRefused: the mark is missing or another one; the session then goes on.
    """
    try:
        session = door.kept_session_of(request)
    except PageRefused:
        tab = str(request.path_params.get("tab", ""))
        if is_tab(tab):
            note_cookies(request, door.cookies.no_session(tab))
        return Left.NOTHING
    door.check_csrf(session, given)
    note_cookies(request, door.cookies.no_session(session.tab))
    taken_back = await _given_back(door, session)
    actor = door.actor_of(request, session.iss, session.fhir_user)
    await door.trail.note(Access(Deed.SIGNED_OUT, actor, succeeded=True, patient=f"Patient/{session.patient}"))
    return Left.TAKEN_BACK if taken_back else Left.NOT_TAKEN_BACK


async def _given_back(door: SmartDoor, session: Session) -> bool:
    client = door.clients[session.iss]
    server = await door.server_of(client)
    if isinstance(server, SignInFailure):
        return False
    tokens = [(session.refresh_token, "refresh_token"), (session.access_token, "access_token")]
    failures = [
        await door.tokens.revoke(server, client.client, token=token, hint=hint)
        for token, hint in tokens
        if token is not None
    ]
    return failures == [None] * len(failures)
