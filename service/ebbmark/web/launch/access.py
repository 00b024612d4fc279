"""The access of a SMART launch: the records that may open the page, what one granted, and the session of a tab.

What does not go on is refused as a page (`PageRefused`), for one of the reasons of `LaunchFault`.

Source: SMART App Launch 2.2, fhirUser; OpenID Connect Core 1.0 section 3.1.3.7 (validation of an id_token).
"""

from __future__ import annotations

import re
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from hmac import compare_digest
from urllib.parse import urlsplit

from fastapi import Request

from ebbmark.fhir.writing.provenance import Actor
from ebbmark.record.client import Exchange, RecordClient, ViewCache
from ebbmark.record.connection import refusal_of
from ebbmark.record.retry import CallFailure
from ebbmark.record.sign_in import PublishedKeys, SignInClock, SignInFailure
from ebbmark.record.smart_launch import KnownServer, LaunchServer, TokenRequests, UserGrant
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.launch.session import (
    SESSION,
    CookieRules,
    LaunchConfig,
    Session,
    SmartClient,
    TokenRenewals,
    is_tab,
    note_cookies,
)
from ebbmark.web.shared_store import SeenTokens
from ebbmark.web.theme import PageRefused
from ebbmark.web.token_check import KeySource, TokenRefusal, TokenRules, TrustedParty, verified_claims
from ebbmark.words.messages import say


class LaunchFault(Enum):
    """Why a launch or session does not go on: its texts in the catalogue (section `launch`), and the HTTP status."""

    NO_ISS = ("no-iss", 400)
    NO_LAUNCH = ("no-launch", 400)
    NOT_LISTED = ("not-listed", 403)
    NO_SERVER = ("no-server", 502)
    NO_STATE = ("no-state", 400)
    NOT_BEGUN_HERE = ("not-begun-here", 400)
    STATE_MISMATCH = ("state-mismatch", 400)
    OTHER_ISSUER = ("other-issuer", 400)
    LAUNCH_EXPIRED = ("launch-expired", 400)
    USED = ("used", 400)
    DENIED = ("denied", 403)
    SERVER_REFUSED = ("server-refused", 502)
    NO_CODE = ("no-code", 400)
    CODE_REFUSED = ("code-refused", 502)
    IDENTITY = ("identity", 502)
    NO_PATIENT = ("no-patient", 400)
    OTHER_PATIENT = ("other-patient", 409)
    NOT_GRANTED = ("not-granted", 403)
    TOO_LONG = ("too-long", 502)
    NO_SESSION = ("no-session", 401)
    BROKEN_SESSION = ("broken-session", 401)
    SESSION_EXPIRED = ("session-expired", 401)
    ACCESS_ENDED = ("access-ended", 401)
    REFRESH_REFUSED = ("refresh-refused", 401)
    REFRESH_FAILED = ("refresh-failed", 503)
    NOT_FROM_THE_PAGE = ("not-from-the-page", 403)


def refused(why: LaunchFault, found: str = "") -> PageRefused:
    """The page for one of the reasons; nothing on it comes from a record.

    Args:
        found: what was found, in our own words or plain ASCII of the request; it follows the sentence.
    """
    slug, status = why.value
    title, happened, todo = (say(f"launch.{slug}{part}") for part in ("-title", "", "-todo"))
    return PageRefused(status, title, f"{happened} {found}".rstrip(), todo=(todo,))


_REFERENCE = re.compile(r"(?:Practitioner|PractitionerRole|Patient|RelatedPerson|Person)/[A-Za-z0-9\-.]{1,64}")


@dataclass(frozen=True, slots=True)
class Identity:
    """Who is signed in.

    Attributes:
        fhir_user: reference to them, relative where they are in the record itself; None where that is not said.
    """

    fhir_user: str | None


@dataclass(frozen=True, slots=True)
class Expected:
    """What an id_token must say.

    Attributes:
        nonce: as sent with the launch.
        iss: FHIR base URL of the record, which a relative reference is below.
    """

    client_id: str
    nonce: str
    iss: str
    algorithms: frozenset[str]
    leeway_s: float
    at_s: float


async def identified(id_token: str, server: LaunchServer, keys: KeySource | None, expected: Expected) -> Identity | str:
    """Check an id_token.

    Returns:
        Who is signed in; or a sentence that says what does not hold, and holds nothing of the token.
    """
    if server.issuer is None or keys is None:
        return "The record's smart-configuration names no issuer with keys that could have signed it."
    rules = TokenRules({server.issuer: TrustedParty(keys)}, expected.algorithms, expected.leeway_s)
    claims = await verified_claims(id_token, rules=rules, audience=expected.client_id, at_s=expected.at_s)
    if isinstance(claims, TokenRefusal):
        return claims.value
    if claims.nonce != expected.nonce:
        return "It was not made for this launch (nonce)."
    several = isinstance(claims.aud, list) and len(claims.aud) > 1
    if claims.azp != expected.client_id and (several or claims.azp is not None):
        return "It was made for another client (azp)."
    if claims.iat is None or not claims.sub:
        return "It lacks a claim that is needed here (iat or sub)."
    if claims.fhir_user is None:
        return Identity(None)
    reference = _reference_of(claims.fhir_user, expected.iss)
    return "Its fhirUser is not a reference to a person in FHIR." if reference is None else Identity(reference)


def _reference_of(fhir_user: str, iss: str) -> str | None:
    relative = fhir_user.removeprefix(f"{iss}/")
    if _REFERENCE.fullmatch(relative):
        return relative
    base, _, rest = ("/".join(fhir_user.split("/")[:-2]), "", "/".join(fhir_user.split("/")[-2:]))
    known = _REFERENCE.fullmatch(rest) is not None and refusal_of(fhir_user, (base,)) is None
    return fhir_user if known else None


RENEWED_BEFORE_S = 30.0
"""So long before its end an access token is renewed [s]; common practice, no published source."""


@dataclass(slots=True)
class SmartLaunch:
    """The door, its connections, and what it remembers until the process ends.

    Attributes:
        replies: of sign-ins that were used.
    """

    config: LaunchConfig
    exchange: Exchange
    record_tls: ssl.SSLContext | None
    clock: SignInClock
    trail: AuditTrail
    replies: SeenTokens = field(default_factory=SeenTokens)
    clients: Mapping[str, SmartClient] = field(init=False)
    cookies: CookieRules = field(init=False)
    tokens: TokenRequests = field(init=False)
    _servers: dict[str, KnownServer] = field(init=False)
    _keys: dict[str, PublishedKeys] = field(init=False, default_factory=dict)
    _renewals: TokenRenewals = field(init=False)
    _record_exchange: Exchange = field(init=False)

    def __post_init__(self) -> None:
        """Make what follows from the settings."""
        public = urlsplit(self.config.public_url)
        self.clients = {client.iss: client for client in self.config.clients}
        self.cookies = CookieRules(public.scheme == "https", public.path, bool(self.config.frame_ancestors))
        self.tokens = TokenRequests(self.exchange, self.clock)
        self._servers = {
            client.iss: KnownServer(client.iss, client.hosts, exchange=self.exchange, steady_s=self.clock.steady_s)
            for client in self.config.clients
        }
        self._renewals = TokenRenewals(self.clock.steady_s)
        patience = self.config.patience
        self._record_exchange = Exchange(
            patience.patience, tls=self.record_tls, private_networks=patience.private_networks
        )

    async def aclose(self) -> None:
        """Close every connection."""
        self._renewals.cancel()
        for server in self._servers.values():
            server.cancel()
        await self.exchange.aclose()
        await self._record_exchange.aclose()

    def redirect_uri_of(self, client: SmartClient) -> str:
        """Where the reply of a record's sign-in comes to; registered there."""
        return f"{self.config.public_url}{client.callback}"

    async def server_of(self, client: SmartClient) -> LaunchServer | SignInFailure:
        """The authorization server of a record."""
        return await self._servers[client.iss].now()

    def keys_of(self, server: LaunchServer) -> PublishedKeys | None:
        """The keys that a server signs with; None where it names none. Its address was judged before."""
        url = server.key_set_url
        if url is None:
            return None
        if url not in self._keys:
            self._keys[url] = PublishedKeys(url, exchange=self.exchange, steady_s=self.clock.steady_s)
        return self._keys[url]

    def actor_of(self, request: Request, iss: str, fhir_user: str | None = None) -> Actor:
        """Who acts, for the audit trail."""
        client = self.clients[iss].client.client_id
        # Somebody who is a patient themselves stays out of the logs.
        user = fhir_user if fhir_user is not None and "/Practitioner" in f"/{fhir_user}" else ""
        return Actor(iss, client, request.client.host if request.client else "", user)

    async def session_of(self, request: Request) -> Session:
        """The session of the tab that this request is for, its access renewed if need be."""
        session = self.kept_session_of(request)
        now_s = self.clock.wall_s()
        if session.ends_s is not None and session.ends_s <= now_s:
            raise refused(LaunchFault.SESSION_EXPIRED)
        if session.expires_s - RENEWED_BEFORE_S > now_s:
            return session
        if session.refresh_token is not None:
            renewed = await self._renewed(request, session, session.refresh_token)
            if isinstance(renewed, Session):
                self.keep(request, renewed)
                return renewed
            if session.expires_s <= now_s:
                lasting = renewed.trouble is CallFailure.SIGN_IN_REFUSED
                raise refused(LaunchFault.REFRESH_REFUSED if lasting else LaunchFault.REFRESH_FAILED)
        if session.expires_s <= now_s:
            raise refused(LaunchFault.SESSION_EXPIRED)
        return session

    def kept_session_of(self, request: Request) -> Session:
        """The session as the browser keeps it, whether its access is still good or not."""
        tab = str(request.path_params.get("tab", ""))
        sealed = self.cookies.session_in(request.cookies, tab) if is_tab(tab) else None
        if sealed is None:
            raise refused(LaunchFault.NO_SESSION)
        session = self.config.seal.open(sealed, Session, purpose=SESSION)
        if session is None or session.tab != tab or session.iss not in self.clients:
            raise refused(LaunchFault.BROKEN_SESSION)
        return session

    def keep(self, request: Request, session: Session) -> None:
        """Have the browser keep a session, whatever the response will be."""
        cookies = self.cookies.session(session.tab, self.config.seal.close(session, purpose=SESSION))
        if cookies is None:
            raise refused(LaunchFault.TOO_LONG)
        note_cookies(request, cookies)

    def record_of(self, session: Session, view_cache: ViewCache | None = None) -> RecordClient:
        """The record, read and written with the access of this session; nothing needs to be closed.

        Args:
            view_cache: what one view shares of what it reads; None where everything is read anew.
        """
        patience = self.config.patience
        settings = replace(
            patience,
            base_url=session.iss,
            allowed_base_urls=(session.iss,),
            bearer_token=session.access_token,
        )
        return RecordClient(settings, exchange=self._record_exchange, view_cache=view_cache)

    def check_csrf(self, session: Session, given: str | None) -> None:
        """Check the mark of a form."""
        if not session.csrf or not compare_digest(session.csrf.encode(), (given or "").encode()):
            raise refused(LaunchFault.NOT_FROM_THE_PAGE)

    async def _renewed(self, request: Request, session: Session, refresh_token: str) -> Session | SignInFailure:
        client = self.clients[session.iss]

        async def renew() -> UserGrant | SignInFailure:
            server = await self.server_of(client)
            if isinstance(server, SignInFailure):
                return server
            return await self.tokens.refresh(server, client.client, refresh_token=refresh_token)

        grant = await self._renewals.of(refresh_token, renew)
        if isinstance(grant, SignInFailure):
            return grant
        if grant.patient not in (None, session.patient):
            note_cookies(request, self.cookies.no_session(session.tab))
            raise refused(LaunchFault.OTHER_PATIENT)
        return replace(
            session,
            access_token=grant.access_token,
            refresh_token=grant.refresh_token or refresh_token,
            expires_s=grant.expires_s,
            scope=session.scope if grant.scope is None else grant.scope,
        )
