"""The cookies of a launch and a session: their names, their paths, and the layer that puts them on the response.

One cookie per launch, below `/launch`; one per tab, below `/app/{tab}`: a browser never sends the cookie of one tab
with a request of another. A value that is longer than one cookie may be is spread over several. A renewed session must
reach the browser with a page, a refusal or a stream alike, and the routes that answer need not know of it.

Source: RFC 6265 section 6.1 (browsers keep at least 4096 bytes per cookie, name and attributes included) and its
successor RFC 6265bis (SameSite, the prefix __Secure-); CHIPS (Partitioned).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["LONGEST_VALUE", "CookieRules", "SettingCookies", "is_tab", "note_cookies"]

LONGEST_PIECE = 3_800
"""Of one cookie's value [characters]; name and attributes need the rest of the 4096."""
MOST_PIECES = 3
LONGEST_VALUE = LONGEST_PIECE * MOST_PIECES
KEPT_LAUNCH_S = 3_600
"""A launch is good for minutes, and its cookie kept for longer, so that a page can say what became of it [s]."""

_TAB = re.compile(r"[A-Za-z0-9_-]{22}")


def is_tab(text: str) -> bool:
    """Whether a text has the form of a tab's name: 128 random bits in base64url."""
    return _TAB.fullmatch(text) is not None


@dataclass(frozen=True, slots=True)
class CookieRules:
    """How cookies are set.

    Attributes:
        secure: whether they go over https only; not on this machine without it.
        root: path below which the service is seen, without slash at its end.
        framed: whether pages may be shown in frames of other sites; cookies then go along there, too.
    """

    secure: bool
    root: str = ""
    framed: bool = False

    def launch(self, tab: str, sealed: str) -> list[str]:
        """Keep a launch."""
        return [self._set(self._launch_name(tab), sealed, f"{self.root}/launch", f"; Max-Age={KEPT_LAUNCH_S}")]

    def launch_in(self, cookies: Mapping[str, str], tab: str) -> str | None:
        """The launch of this tab, still sealed; None where there is none."""
        return cookies.get(self._launch_name(tab))

    def session(self, tab: str, sealed: str) -> list[str] | None:
        """Keep a session until the browser closes; None where it is too long for that."""
        if len(sealed) > LONGEST_VALUE:
            return None
        pieces = [sealed[at : at + LONGEST_PIECE] for at in range(0, len(sealed), LONGEST_PIECE)]
        # The first piece says how many there are, so that what an earlier session left behind is not read.
        values = [f"{len(pieces)}.{pieces[0]}", *pieces[1:]]
        return [self._set(self._piece(tab, number), value, self._app(tab)) for number, value in enumerate(values)]

    def session_in(self, cookies: Mapping[str, str], tab: str) -> str | None:
        """The session of this tab, still sealed; empty where pieces are missing; None where there is none."""
        first = cookies.get(self._piece(tab, 0))
        if first is None:
            return None
        count, _, start = first.partition(".")
        if count not in {str(number + 1) for number in range(MOST_PIECES)}:
            return ""
        rest = [cookies.get(self._piece(tab, number)) for number in range(1, int(count))]
        return "" if None in rest else start + "".join(piece or "" for piece in rest)

    def no_session(self, tab: str) -> list[str]:
        """Have the browser forget a session."""
        return [self._set(self._piece(tab, number), "", self._app(tab), "; Max-Age=0") for number in range(MOST_PIECES)]

    def _app(self, tab: str) -> str:
        return f"{self.root}/app/{tab}"

    def _piece(self, tab: str, number: int) -> str:
        return f"{self._prefix}ebbmark-{tab}" + (f".{number}" if number else "")

    def _launch_name(self, tab: str) -> str:
        return f"{self._prefix}ebbmark-launch-{tab}"

    @property
    def _prefix(self) -> str:
        return "__Secure-" if self.secure else ""

    def _set(self, name: str, value: str, path: str, life: str = "") -> str:
        secure = "; Secure" if self.secure else ""
        # Lax, not Strict: the reply of a record's sign-in, and the way into the page after it, come from another site.
        site = "; SameSite=None; Partitioned" if self.framed else "; SameSite=Lax"
        return f"{name}={value}; Path={path}; HttpOnly{secure}{site}{life}"


def note_cookies(request: Request, cookies: list[str]) -> None:
    """Have these cookies set by whatever response this request gets."""
    noted: list[str] = getattr(request.state, "set_cookies", [])
    request.state.set_cookies = [*noted, *cookies]


class SettingCookies:
    """A layer around the application that adds what `note_cookies` noted."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; add cookies to the response."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        state = scope.setdefault("state", {})

        async def send_with_cookies(message: Message) -> None:
            if message["type"] == "http.response.start":
                noted = [(b"set-cookie", cookie.encode()) for cookie in state.get("set_cookies", ())]
                message["headers"] = [*message["headers"], *noted]
            await send(message)

        await self.app(scope, receive, send_with_cookies)
