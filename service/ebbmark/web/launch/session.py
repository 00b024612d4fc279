"""The session of a launch: what is kept of it, sealed, in cookies of the browser, and how its access is renewed once.

Of a launch under way and of a session in one tab everything is kept in the browser, so that any replica can answer any
request. Sealed values are JWE (`dir` with A256GCM, which encrypts and authenticates), one per value, with a 256-bit key
shared by all replicas: nobody in the browser can read, change, or use them for something else. The first key seals and
all open, so that a new key can be added in front and an old one dropped once nothing it sealed is still good.

One cookie per launch, below `/launch`; one per tab, below `/app/{tab}`: a browser never sends the cookie of one tab
with a request of another. A value that is longer than one cookie may be is spread over several. A renewed session must
reach the browser with a page, a refusal or a stream alike, and the routes that answer need not know of it.

A page asks for several things at once, each with the same cookie, and a refresh token may be good for one use only: one
request renews, all others wait for it (single flight), and late ones get what it got, remembered in the memory of this
process for a minute.

Source: RFC 7516 (JWE), RFC 7518 sections 4.5 and 5.3; NIST SP 800-38D section 8.3 limits one key to 2^32 random
nonces. RFC 6265 section 6.1 (browsers keep at least 4096 bytes per cookie, name and attributes included) and its
successor RFC 6265bis (SameSite, the prefix __Secure-); CHIPS (Partitioned).
"""

from __future__ import annotations

import binascii
import re
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from typing import TYPE_CHECKING, TypeVar

import msgspec
from fastapi import Request
from joserfc.errors import JoseError
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import CallFailure
from ebbmark.record.sign_in import SignInFailure, SingleFlight
from ebbmark.record.smart_launch import AppClient, UserGrant

if TYPE_CHECKING:
    from joserfc.jwk import OctKey


T = TypeVar("T")

KEY_BITS = 256
ALGORITHMS = ("dir", "A256GCM")
LONGEST_SEALED = 32_768


class CookieKeyFault(ValueError):
    """A file of cookie keys that cannot be used; the message completes "The file …" and holds nothing of it."""


class _Key(msgspec.Struct):
    kty: str
    k: str
    kid: str | None = None
    use: str = "enc"
    alg: str = "A256GCM"


class _KeySet(msgspec.Struct):
    keys: list[_Key]


@dataclass(frozen=True, slots=True)
class Seal:
    """The keys, each with its name; the first seals."""

    keys: tuple[tuple[str, OctKey], ...] = field(repr=False)

    def close(self, value: object, *, purpose: str) -> str:
        """Seal a value.

        Args:
            purpose: what it is for; only `open` with the same purpose gives it back.
        """
        from joserfc import jwe

        kid, key = self.keys[0]
        header = {"alg": "dir", "enc": "A256GCM", "kid": kid, "typ": purpose}
        return jwe.encrypt_compact(header, msgspec.json.encode(value), key, algorithms=list(ALGORITHMS))

    def open(self, sealed: str, shape: type[T], *, purpose: str) -> T | None:
        """Open what was sealed.

        Returns:
            The value; None for anything that one of these keys did not seal for this purpose in this shape.
        """
        if len(sealed) > LONGEST_SEALED or not sealed.isascii():
            return None
        from joserfc import jwe

        try:
            header = msgspec.json.decode(binascii.a2b_base64(_padded(sealed.split(".", 1)[0])), type=dict[str, str])
            key = dict(self.keys).get(header.get("kid", ""))
            # The header is what the key authenticates, so that it is believed only together with what it opens.
            if key is None or header.get("typ") != purpose:
                return None
            opened = jwe.decrypt_compact(sealed, key, algorithms=list(ALGORITHMS))
            return msgspec.json.decode(opened.plaintext or b"", type=shape)
        except (JoseError, ValueError, binascii.Error, msgspec.DecodeError):
            return None


def _padded(segment: str) -> str:
    return segment.translate(str.maketrans("-_", "+/")) + "=" * (-len(segment) % 4)


def read_cookie_keys(files: Iterable[bytes]) -> Seal:
    """Read the keys.

    Args:
        files: JSON Web Key Sets with keys of type oct, 256 bits each, in the order in which they shall seal.

    Raises:
        CookieKeyFault: a file that is something else, or none at all.
    """
    keys: dict[str, OctKey] = {}
    for file in files:
        try:
            found = msgspec.json.decode(file, type=_KeySet).keys
        except (msgspec.DecodeError, UnicodeDecodeError):
            raise CookieKeyFault("is not a JSON Web Key Set with keys of type oct") from None
        for one in found:
            key = _imported(one)
            kid = one.kid or key.thumbprint()
            if kid in keys:
                raise CookieKeyFault("holds a kid that was there before")
            keys[kid] = key
    if not keys:
        raise CookieKeyFault("holds no key")
    return Seal(tuple(keys.items()))


def _imported(one: _Key) -> OctKey:
    if one.kty != "oct" or one.use != "enc" or one.alg not in ALGORITHMS:
        raise CookieKeyFault("holds a key that is not for encryption with A256GCM")
    try:
        raw = binascii.a2b_base64(_padded(one.k), strict_mode=True)
    except (ValueError, binascii.Error):
        raise CookieKeyFault("holds a key that is not base64url") from None
    if len(raw) * 8 != KEY_BITS:
        raise CookieKeyFault(f"holds a key of {len(raw) * 8} bits; {KEY_BITS} are needed")
    from joserfc.jwk import OctKey

    return OctKey.import_key(raw)


def new_cookie_key_set() -> dict[str, object]:
    """Make a JSON Web Key Set with one new key, named by its thumbprint."""
    from joserfc.jwk import OctKey

    key = OctKey.generate_key(KEY_BITS)
    return {"keys": [{**key.as_dict(private=True), "kid": key.thumbprint(), "use": "enc", "alg": "A256GCM"}]}


def random_seal() -> Seal:
    """A seal with a key that nobody keeps: what it closed cannot be opened after a restart."""
    return read_cookie_keys([msgspec.json.encode(new_cookie_key_set())])


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


class CookieMiddleware:
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


CALLBACK = "/launch/callback"


@dataclass(frozen=True, slots=True)
class SmartClient:
    """One record that may open the page.

    Attributes:
        iss: FHIR base URL, without slash at its end.
        scope: what we ask for, without the scope of the launch itself.
        callback: path below our address that its replies come to, and no other record's.
    """

    iss: str
    title: str
    client: AppClient
    scope: str
    hosts: tuple[str, ...] = ()
    callback: str = CALLBACK


@dataclass(frozen=True, slots=True)
class LaunchConfig:
    """What the door was configured with.

    Attributes:
        longest_session_s: how long a session lasts however often it is renewed [s].
        new_secret: 256 random bits as text.
        new_tab: 128 random bits as base64url.
    """

    clients: tuple[SmartClient, ...]
    public_url: str
    seal: Seal
    frame_ancestors: tuple[str, ...]
    algorithms: frozenset[str]
    leeway_s: float
    longest_session_s: float
    patience: RecordSettings
    new_secret: Callable[[], str]
    new_tab: Callable[[], str]


LAUNCH = "ebbmark-launch"
SESSION = "ebbmark-session"
"""What sealed values are for; one never opens as the other."""


@dataclass(frozen=True, slots=True)
class PendingLaunch:
    """A launch between its start and the reply of the record's sign-in.

    Attributes:
        until_s: when it is too late [s since 1970-01-01T00:00:00Z].
        state: comes back with the reply; empty once it did.
        verifier: the secret behind the code challenge; empty once used.
        nonce: comes back in the id_token; empty once used.
    """

    tab: str
    iss: str
    until_s: float
    state: str = field(default="", repr=False)
    verifier: str = field(default="", repr=False)
    nonce: str = field(default="", repr=False)

    @property
    def used(self) -> bool:
        """Whether the reply came already."""
        return not self.state


@dataclass(frozen=True, slots=True)
class Session:
    """One patient's page in one tab.

    Attributes:
        patient: FHIR id of the patient; every read of the page is of this one.
        access_token: for the record; never shown.
        expires_s: when the access token ends [s since 1970-01-01T00:00:00Z].
        ends_s: when the session ends, however often it is renewed [s since 1970-01-01T00:00:00Z]; None for never.
    """

    tab: str
    iss: str
    patient: str
    encounter: str | None
    fhir_user: str | None
    access_token: str = field(repr=False)
    refresh_token: str | None = field(repr=False)
    expires_s: float
    scope: str
    need_patient_banner: bool
    csrf: str = field(default="", repr=False)
    ends_s: float | None = None


Renewed = UserGrant | SignInFailure

REMEMBERED_S = 60.0
AFTER_FAILURE_S = 5.0
"""A failure that may pass by itself is remembered for less [s]."""
MOST_REMEMBERED = 1_000
"""Beyond that the oldest are forgotten; their pages ask again. All are common practice, no published source."""


class TokenRenewals:
    """Renewals under way and just done, by the digest of the refresh token."""

    def __init__(self, steady_s: Callable[[], float]) -> None:
        self._steady_s = steady_s
        self._flights: dict[bytes, SingleFlight[Renewed]] = {}
        self._done: dict[bytes, tuple[Renewed, float]] = {}

    async def of(self, refresh_token: str, renew: Callable[[], Awaitable[Renewed]]) -> Renewed:
        """Renew, or join a renewal of the same token."""
        self._forget()
        name = sha256(refresh_token.encode()).digest()
        known = self._done.get(name)
        if known is not None:
            return known[0]

        async def once() -> Renewed:
            try:
                outcome = await renew()
                passing = isinstance(outcome, SignInFailure) and outcome.trouble is CallFailure.SIGN_IN_FAILED
                self._done[name] = (outcome, self._steady_s() + (AFTER_FAILURE_S if passing else REMEMBERED_S))
                return outcome
            finally:
                self._flights.pop(name, None)

        return await self._flights.setdefault(name, SingleFlight(once))()

    def _forget(self) -> None:
        """Let go of tokens that nobody will ask for any more."""
        now_s = self._steady_s()
        kept = [(name, done) for name, done in self._done.items() if now_s < done[1]]
        self._done = dict(kept[-MOST_REMEMBERED:])

    def cancel(self) -> None:
        """End the renewals that nobody waits for any more."""
        for flight in list(self._flights.values()):
            flight.cancel()
