"""How does a clinician's agreement become an access token, how is it renewed, and how given back?

Source: SMART App Launch 2.2, app-launch (obtain and refresh an access token) and scopes-and-launch-context (patient,
encounter, need_patient_banner beside the token); RFC 6749 sections 2.3.1, 4.1.3, 5 and 6; RFC 7009 (revocation).
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urlencode

import msgspec

from ebbmark.keys import KeyRing
from ebbmark.record.assertion import client_assertion
from ebbmark.record.authorization_server import SignInFailure, failure_of
from ebbmark.record.client import is_bearer_token
from ebbmark.record.exchange import Answer, Exchange, Failure, Reply, decoded
from ebbmark.record.launch_server import LaunchServer
from ebbmark.record.retrying import Trouble
from ebbmark.record.sign_in import ASSERTION_TYPE, SignInClock

__all__ = ["AppClient", "TokenRequests", "UserGrant"]

UNSTATED_LIFE_S = 3600.0
"""A token whose life is not stated counts as good for the longest that SMART recommends [s]; the record decides."""
_FORM = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"}
Form = Mapping[str, str]
# FHIR R4 datatypes.html#id.
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


@dataclass(frozen=True, slots=True)
class AppClient:
    """As whom we ask: with a secret, with a signed statement, or with neither (a public client).

    Attributes:
        client_id: our name at the authorization server.
        secret: sent by HTTP Basic; None where there is none.
        keys: to sign a statement with; None where none is sent.
    """

    client_id: str
    secret: str | None = field(default=None, repr=False)
    keys: KeyRing | None = None


@dataclass(frozen=True, slots=True)
class UserGrant:
    """What a clinician let us have.

    Attributes:
        access_token: for the record; never shown.
        refresh_token: for the next access token; None where there is none.
        expires_s: when the access token ends [s since 1970-01-01T00:00:00Z].
        scope: scopes granted, apart by spaces; None where the reply does not say.
        patient: FHIR id of the patient in context; None where there is none.
        encounter: FHIR id of the encounter in context; None where there is none.
        need_patient_banner: whether the page must say whose record it shows.
        id_token: who the clinician is, still to be checked; None where that was not said.
    """

    access_token: str = field(repr=False)
    refresh_token: str | None = field(repr=False)
    expires_s: float
    scope: str | None
    patient: str | None
    encounter: str | None
    need_patient_banner: bool
    id_token: str | None = field(repr=False)


class _Reply(msgspec.Struct):
    access_token: str
    token_type: str
    expires_in: float | None = None
    refresh_token: str | None = None
    scope: str | None = None
    patient: str | None = None
    encounter: str | None = None
    need_patient_banner: bool | None = None
    id_token: str | None = None


@dataclass(frozen=True, slots=True)
class TokenRequests:
    """What is asked of the authorization servers for clinicians.

    Attributes:
        exchange: the connections.
        clock: time and chance.
    """

    exchange: Exchange
    clock: SignInClock

    async def redeem(
        self, server: LaunchServer, client: AppClient, *, code: str, redirect_uri: str, verifier: str
    ) -> UserGrant | SignInFailure:
        """Exchange an authorization code.

        Args:
            server: that gave it.
            client: as whom.
            code: as it came back with the browser.
            redirect_uri: where it came back to, spelled as it was asked for.
            verifier: the secret behind the code challenge.
        """
        form = {"code": code, "redirect_uri": redirect_uri, "code_verifier": verifier}
        return await self._granted(server, client, {"grant_type": "authorization_code", **form})

    async def refresh(
        self, server: LaunchServer, client: AppClient, *, refresh_token: str
    ) -> UserGrant | SignInFailure:
        """Ask for the next access token; the reply may carry the next refresh token, which then replaces this one."""
        form = {"grant_type": "refresh_token", "refresh_token": refresh_token}
        return await self._granted(server, client, form)

    async def revoke(self, server: LaunchServer, client: AppClient, *, token: str, hint: str) -> SignInFailure | None:
        """Give a token back.

        Args:
            server: that gave it; nothing is asked of one that takes none back.
            client: as whom.
            token: the token.
            hint: refresh_token or access_token.

        Returns:
            None where the token is void now; else why that is not known.
        """
        if server.revoke_url is None:
            return SignInFailure(Trouble.SIGN_IN_REFUSED, "the server names no revocation_endpoint")
        form = {"token": token, "token_type_hint": hint}
        answer = await self._posted(server.revoke_url, server, client, form)
        if isinstance(answer, SignInFailure):
            return answer
        return None if isinstance(answer, Reply) and answer.status == 200 else failure_of(answer)

    async def _granted(self, server: LaunchServer, client: AppClient, form: Form) -> UserGrant | SignInFailure:
        asked_at_s = self.clock.wall_s()
        answer = await self._posted(server.token_url, server, client, form)
        if isinstance(answer, SignInFailure):
            return answer
        if isinstance(answer, Failure) or answer.status != 200:
            return failure_of(answer)
        reply = decoded(answer, _Reply)
        if reply is None:
            return SignInFailure(Trouble.SIGN_IN_FAILED, "its reply is not a token reply that could be read")
        if reply.token_type.lower() != "bearer" or not is_bearer_token(reply.access_token):
            return SignInFailure(Trouble.SIGN_IN_FAILED, "its reply holds no bearer token")
        if not all(one is None or _ID.fullmatch(one) for one in (reply.patient, reply.encounter)):
            return SignInFailure(Trouble.SIGN_IN_REFUSED, "its reply names a patient or encounter by no FHIR id")
        life_s = UNSTATED_LIFE_S if reply.expires_in is None else max(reply.expires_in, 0.0)
        return UserGrant(
            access_token=reply.access_token,
            refresh_token=reply.refresh_token or None,
            expires_s=asked_at_s + life_s,
            scope=reply.scope,
            patient=reply.patient,
            encounter=reply.encounter,
            # A banner too many is a smaller fault than one too few.
            need_patient_banner=reply.need_patient_banner is not False,
            id_token=reply.id_token or None,
        )

    async def _posted(self, url: str, server: LaunchServer, client: AppClient, form: Form) -> Answer | SignInFailure:
        headers = dict(_FORM)
        if client.keys is not None:
            key = client.keys.for_algorithms(server.algorithms)
            if key is None:
                return SignInFailure(Trouble.SIGN_IN_REFUSED, "it takes none of the algorithms of our keys")
            # The audience is the token endpoint also where a token is given back (RFC 7523 section 3).
            assertion = client_assertion(
                key,
                client_id=client.client_id,
                token_url=server.token_url,
                jti=self.clock.new_id(),
                at_s=self.clock.wall_s(),
            )
            form = {**form, "client_assertion_type": ASSERTION_TYPE, "client_assertion": assertion}
        elif client.secret is None:
            form = {**form, "client_id": client.client_id}
        else:
            shown = b64encode(f"{client.client_id}:{client.secret}".encode()).decode()
            headers["Authorization"] = f"Basic {shown}"
        return await self.exchange.ask("POST", url, content=urlencode(form).encode(), headers=headers)
