"""A launch from its start to a session, the end of the session, and the addresses of both.

The addresses are pages for people and not part of the API: they are not in the OpenAPI document. What does not go on
is refused as a page (`PageRefused`).

Leaving: the browser forgets, the record takes its access back, and it is noted. A copy of the cookie that somebody made
before stays readable to this service until it expires, since nothing is kept here that could say otherwise; the access
in it is void where the record takes tokens back.

Source: SMART App Launch 2.2, app-launch (EHR launch, standalone launch, state, aud, PKCE S256); RFC 6749 section
4.1.2.1 (errors); RFC 9207 (iss in the reply); RFC 9700 section 4.4.2 (a redirect address of its own for each of several
authorization servers, so that none gets the code of another); OpenID Connect Core 1.0 section 3.1.2.1 (nonce); RFC 7009
section 2 (a refresh token given back takes its access tokens with it, where the server can).
"""

from __future__ import annotations

from base64 import urlsafe_b64encode
from dataclasses import replace
from enum import Enum
from hashlib import sha256
from hmac import compare_digest
from typing import Final
from urllib.parse import parse_qs, quote, urlencode

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from ebbmark.fhir.writing.provenance import Access, AuditAction
from ebbmark.record.connection import AddressRefusal, refusal_of
from ebbmark.record.sign_in import SignInFailure
from ebbmark.record.smart_launch import LaunchServer, UserGrant
from ebbmark.web.body import read_body
from ebbmark.web.launch.access import Expected, LaunchFault, SmartLaunch, identified, refused
from ebbmark.web.launch.session import CALLBACK, LAUNCH, PendingLaunch, Session, SmartClient, is_tab, note_cookies
from ebbmark.web.shared_store import TokenUse
from ebbmark.web.theme import PageRefused, page_response, templates
from ebbmark.web.token_check import NEEDED_TO_READ, missing, with_launch
from ebbmark.words.messages import say

LAUNCH_S = 600.0
"""From the start of a launch to the reply: a code is good for ten minutes at most (RFC 6749 section 4.1.2) [s]."""
# RFC 6749 section 4.1.2.1 and OpenID Connect Core 1.0 section 3.1.2.6; no other text of the reply is shown.
_ERRORS = frozenset(
    {
        "invalid_request",
        "unauthorized_client",
        "unsupported_response_type",
        "invalid_scope",
        "server_error",
        "temporarily_unavailable",
        "interaction_required",
        "login_required",
        "consent_required",
    }
)
_DENIALS = frozenset({"access_denied", "consent_required"})


async def begin_launch(smart: SmartLaunch, request: Request, client: SmartClient, launch: str | None) -> str:
    """Begin a launch.

    Args:
        request: gets the cookie of the launch.
        launch: handle of the record's launch; None where it begins outside a record.

    Returns:
        Where to send the browser.
    """
    server = await _server(smart, client)
    config, tab = smart.config, smart.config.new_tab()
    pending = PendingLaunch(
        tab=tab,
        iss=client.iss,
        until_s=smart.clock.wall_s() + LAUNCH_S,
        state=f"{tab}.{config.new_secret()}",
        verifier=config.new_secret(),
        nonce=config.new_secret(),
    )
    note_cookies(request, smart.cookies.launch(tab, config.seal.close(pending, purpose=LAUNCH)))
    asked = {
        "response_type": "code",
        "client_id": client.client.client_id,
        "redirect_uri": smart.redirect_uri_of(client),
        "scope": with_launch(client.scope, standalone=launch is None),
        "state": pending.state,
        **({} if launch is None else {"launch": launch}),
        "aud": client.iss,
        "nonce": pending.nonce,
        "code_challenge": code_challenge(pending.verifier),
        "code_challenge_method": "S256",
    }
    return f"{server.authorize_url}{'&' if '?' in server.authorize_url else '?'}{urlencode(asked, quote_via=quote)}"


def code_challenge(verifier: str) -> str:
    """The challenge of a code verifier by the method S256 (RFC 7636 section 4.2)."""
    return urlsafe_b64encode(sha256(verifier.encode("ascii")).digest()).rstrip(b"=").decode()


async def finish_launch(smart: SmartLaunch, request: Request) -> Session:
    """Make a session of the reply of a record's sign-in.

    Args:
        request: brings the reply and the cookie of the launch, and gets the cookies of the session.
    """
    pending = await _pending(smart, request)
    client = smart.clients[pending.iss]
    # From here on the launch is used, whatever comes of it.
    used = replace(pending, state="", verifier="", nonce="")
    note_cookies(request, smart.cookies.launch(pending.tab, smart.config.seal.close(used, purpose=LAUNCH)))
    try:
        session = await _session(smart, request, client, pending)
        smart.keep(request, session)
    except PageRefused:
        await smart.trail.note(Access(AuditAction.SIGNED_IN, smart.actor_of(request, client.iss), succeeded=False))
        raise
    actor = smart.actor_of(request, client.iss, session.fhir_user)
    await smart.trail.note(Access(AuditAction.SIGNED_IN, actor, succeeded=True, patient=f"Patient/{session.patient}"))
    return session


async def _pending(smart: SmartLaunch, request: Request) -> PendingLaunch:
    states = request.query_params.getlist("state")
    if len(states) != 1 or not states[0]:
        raise refused(LaunchFault.NO_STATE)
    tab = states[0].partition(".")[0]
    sealed = smart.cookies.launch_in(request.cookies, tab) if is_tab(tab) else None
    pending = None if sealed is None else smart.config.seal.open(sealed, PendingLaunch, purpose=LAUNCH)
    if pending is None or pending.tab != tab or pending.iss not in smart.clients:
        raise refused(LaunchFault.NOT_BEGUN_HERE)
    if pending.used:
        raise refused(LaunchFault.USED)
    if not compare_digest(pending.state.encode(), states[0].encode()):
        raise refused(LaunchFault.STATE_MISMATCH)
    now_s = smart.clock.wall_s()
    if pending.until_s <= now_s:
        raise refused(LaunchFault.LAUNCH_EXPIRED)
    # The cookie says so only once the browser has it: of replies sent side by side one redeems the code.
    use = await smart.replies.use(pending.iss, pending.state, until_s=pending.until_s, at_s=now_s)
    if use is not TokenUse.FIRST:
        raise refused(LaunchFault.USED)
    return pending


async def _session(smart: SmartLaunch, request: Request, client: SmartClient, pending: PendingLaunch) -> Session:
    if request.scope["path"] != client.callback:
        raise refused(LaunchFault.OTHER_ISSUER)
    server = await _server(smart, client)
    code = _code(request, server)
    grant = await smart.tokens.redeem(
        server, client.client, code=code, redirect_uri=smart.redirect_uri_of(client), verifier=pending.verifier
    )
    if isinstance(grant, SignInFailure):
        raise refused(LaunchFault.CODE_REFUSED, f"{_capital(grant.reason)}.")
    fhir_user = await _user(smart, server, client, pending, grant)
    if grant.patient is None:
        raise refused(LaunchFault.NO_PATIENT)
    scope = client.scope if grant.scope is None else grant.scope
    lacking = missing(scope, NEEDED_TO_READ)
    if lacking:
        raise refused(LaunchFault.NOT_GRANTED, f"{', '.join(lacking)}.")
    return Session(
        tab=pending.tab,
        iss=client.iss,
        patient=grant.patient,
        encounter=grant.encounter,
        fhir_user=fhir_user,
        access_token=grant.access_token,
        refresh_token=grant.refresh_token,
        expires_s=grant.expires_s,
        scope=scope,
        need_patient_banner=grant.need_patient_banner,
        csrf=smart.config.new_secret(),
        ends_s=smart.clock.wall_s() + smart.config.longest_session_s,
    )


def _code(request: Request, server: LaunchServer) -> str:
    reply = request.query_params
    issuers = reply.getlist("iss")
    if (issuers or server.names_itself) and (server.issuer is None or issuers != [server.issuer]):
        raise refused(LaunchFault.OTHER_ISSUER)
    errors = reply.getlist("error")
    if errors:
        if errors[0] in _DENIALS:
            raise refused(LaunchFault.DENIED)
        raise refused(
            LaunchFault.SERVER_REFUSED, f"{errors[0] if errors[0] in _ERRORS else 'an error that no standard names'}."
        )
    codes = reply.getlist("code")
    if len(codes) != 1 or not codes[0]:
        raise refused(LaunchFault.NO_CODE)
    return codes[0]


async def _user(
    smart: SmartLaunch, server: LaunchServer, client: SmartClient, pending: PendingLaunch, grant: UserGrant
) -> str | None:
    if grant.id_token is None:
        return None
    expected = Expected(
        client_id=client.client.client_id,
        nonce=pending.nonce,
        iss=client.iss,
        algorithms=smart.config.algorithms,
        leeway_s=smart.config.leeway_s,
        at_s=smart.clock.wall_s(),
    )
    found = await identified(grant.id_token, server, smart.keys_of(server), expected)
    if isinstance(found, str):
        raise refused(LaunchFault.IDENTITY, found)
    return found.fhir_user


async def _server(smart: SmartLaunch, client: SmartClient) -> LaunchServer:
    server = await smart.server_of(client)
    if isinstance(server, SignInFailure):
        raise refused(LaunchFault.NO_SERVER, f"{_capital(server.reason)}.")
    return server


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


class SignOut(Enum):
    """What became of the access; the value is the sentence that the clinician reads."""

    TAKEN_BACK = "The record has taken back the access that it gave."
    NOT_TAKEN_BACK = (
        "The record does not take back access, or could not be reached: what it gave ends by itself, within the hour "
        "as a rule."
    )
    NOTHING = "There was no session any more."


async def sign_out(smart: SmartLaunch, request: Request, given: str | None) -> SignOut:
    """Leave."""
    try:
        session = smart.kept_session_of(request)
    except PageRefused:
        tab = str(request.path_params.get("tab", ""))
        if is_tab(tab):
            note_cookies(request, smart.cookies.no_session(tab))
        return SignOut.NOTHING
    smart.check_csrf(session, given)
    note_cookies(request, smart.cookies.no_session(session.tab))
    taken_back = await _given_back(smart, session)
    actor = smart.actor_of(request, session.iss, session.fhir_user)
    await smart.trail.note(Access(AuditAction.SIGNED_OUT, actor, succeeded=True, patient=f"Patient/{session.patient}"))
    return SignOut.TAKEN_BACK if taken_back else SignOut.NOT_TAKEN_BACK


async def _given_back(smart: SmartLaunch, session: Session) -> bool:
    client = smart.clients[session.iss]
    server = await smart.server_of(client)
    if isinstance(server, SignInFailure):
        return False
    tokens = [(session.refresh_token, "refresh_token"), (session.access_token, "access_token")]
    failures = [
        await smart.tokens.revoke(server, client.client, token=token, hint=hint)
        for token, hint in tokens
        if token is not None
    ]
    return failures == [None] * len(failures)


_SEE_OTHER: Final = 303
LONGEST_FORM = 20_000
LONGEST_SHOWN = 200


def launch_router(smart: SmartLaunch) -> APIRouter:
    """The routes."""
    router = APIRouter(include_in_schema=False)

    @router.get("/launch")
    async def launch(request: Request) -> Response:
        client = _client(smart, request)
        handles = request.query_params.getlist("launch")
        if len(handles) != 1 or not handles[0]:
            raise refused(LaunchFault.NO_LAUNCH)
        return RedirectResponse(await begin_launch(smart, request, client, handles[0]), _SEE_OTHER)

    @router.get("/launch/standalone")
    async def standalone(request: Request) -> Response:
        if "iss" not in request.query_params and len(smart.clients) > 1:
            return _page(smart, "choose.html", title="Which record?", records=_choices(smart))
        one = _client(smart, request) if "iss" in request.query_params else next(iter(smart.clients.values()))
        return RedirectResponse(await begin_launch(smart, request, one, None), _SEE_OTHER)

    @router.get(CALLBACK)
    @router.get(f"{CALLBACK}/{{record}}")
    async def callback(request: Request) -> Response:
        session = await finish_launch(smart, request)
        return RedirectResponse(f"{smart.cookies.root}/app/{session.tab}/", _SEE_OTHER)

    @router.get("/app/{tab}/leave")
    async def ask_to_leave(request: Request) -> Response:
        session = smart.kept_session_of(request)
        return _page(smart, "leave.html", title=say("page-leave.title"), csrf=session.csrf)

    @router.post("/app/{tab}/leave")
    async def leave(request: Request) -> Response:
        outcome = await sign_out(smart, request, await form_field(request, "csrf"))
        return _page(smart, "left.html", title="You have left", sentence=outcome.value)

    return router


async def form_field(request: Request, name: str) -> str | None:
    """One field of a short form; None where it is missing or there more than once."""
    body = await read_body(request.stream(), LONGEST_FORM)
    values = parse_qs(body.decode("ascii", "replace")).get(name, [])
    return values[0] if len(values) == 1 else None


def _client(smart: SmartLaunch, request: Request) -> SmartClient:
    named = request.query_params.getlist("iss")
    if len(named) != 1 or not named[0]:
        raise refused(LaunchFault.NO_ISS)
    client = smart.clients.get(named[0].rstrip("/"))
    if client is None:
        raise refused(LaunchFault.NOT_LISTED, _shown(named[0]))
    return client


def _shown(address: str) -> str:
    """What was named, where it is a plain address; any other text could say anything to the reader."""
    plain = refusal_of(address, (address,)) is not AddressRefusal.UNREADABLE and len(address) <= LONGEST_SHOWN
    return f"Named was {address}." if plain else "What was named is not a plain address."


def _choices(smart: SmartLaunch) -> list[tuple[str, str]]:
    return [(client.title, quote(client.iss, safe="")) for client in smart.config.clients]


def _page(smart: SmartLaunch, template: str, **values: object) -> Response:
    body = templates().get_template(template).render(root=smart.cookies.root, **values)
    return page_response(body, frame_ancestors=smart.config.frame_ancestors)
