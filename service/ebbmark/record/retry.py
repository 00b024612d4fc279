"""Repeat a call within limits (retry with backoff and Retry-After), or share one run of it (single flight).

Source: RFC 9110 section 10.2.3 (Retry-After) and 5.6.7 (dates); which failures are worth a repeat is common practice,
no published source.

The view cache lets several questions asked at once share what they read of the record. It lives as long as one view
and holds nothing longer: the next view reads anew. Two questions that want the same wait for one reading of it. Where
it is known that one of them goes further back, all that want the same codes share that reading, and each gets what
the record would have sent for its own time. What could not be read together, since it would be too much, or fails for
something in it, is read by each on its own. A reading that nobody waits for any longer is ended.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Hashable
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from enum import Enum
from typing import Any, Generic, TypeVar, cast

from ebbmark.telemetry.measured import Measured, count

Sleep = Callable[[float], Awaitable[None]]
Now = Callable[[], datetime]


@dataclass(frozen=True, slots=True)
class Waiting:
    """How time passes between two attempts.

    Attributes:
        sleep: waits for so many seconds.
        now: current time with zone, for a Retry-After that is a date.
    """

    sleep: Sleep
    now: Now


WALL_CLOCK = Waiting(sleep=asyncio.sleep, now=lambda: datetime.now(UTC))


T = TypeVar("T")


class CallFailure(Enum):
    """What went wrong where no usable status was read: slug, may the request have arrived, can it pass by itself."""

    NOT_ALLOWED = ("not-allowed", False, False)
    NOT_SENDABLE = ("not-sendable", False, False)
    NOT_CONNECTED = ("not-connected", False, True)
    CLOSED_PORT = ("closed-port", False, True)
    UNKNOWN_NAME = ("unknown-name", False, True)
    UNKNOWN_AUTHORITY = ("tls-unknown-authority", False, False)
    WRONG_HOST_NAME = ("tls-wrong-host-name", False, False)
    NOT_VALID_NOW = ("tls-not-valid-now", False, False)
    NO_TLS = ("no-tls", False, False)
    OUR_CERTIFICATE = ("tls-our-certificate", False, False)
    CONNECT_TIMEOUT = ("connect-timeout", False, True)
    POOL_TIMEOUT = ("pool-timeout", False, True)
    WRITE_TIMEOUT = ("write-timeout", True, True)
    READ_TIMEOUT = ("read-timeout", True, True)
    TOO_SLOW = ("too-slow", True, True)
    CUT = ("cut", True, True)
    TOO_LARGE = ("too-large", True, False)  # the same question brings the same long answer
    UNREADABLE = ("unreadable", True, True)
    NOT_UTF8 = ("not-utf-8", True, False)
    SURPRISING_ADDRESS = ("surprising-address", False, False)
    SIGN_IN_REFUSED = ("sign-in-refused", False, False)
    SIGN_IN_FAILED = ("sign-in-failed", False, True)
    LOST_RACE = ("lost-race", False, True)  # a 409 that names a conflict: a repeat checks the conditions anew

    def __init__(self, slug: str, may_have_arrived: bool, transient: bool) -> None:
        self.slug = slug
        self.may_have_arrived = may_have_arrived
        self.transient = transient


TROUBLE_WORDS = {
    CallFailure.NOT_ALLOWED: "its address is not on the list of allowed record systems (EBBMARK_RECORD_BASE_URL, "
    "EBBMARK_RECORD_ALLOWED_BASE_URLS), or is not encrypted and not listed in EBBMARK_PLAIN_HTTP_HOSTS",
    CallFailure.NOT_SENDABLE: "the request could not be put into HTTP",
    CallFailure.NOT_CONNECTED: "no connection to the record could be made",
    CallFailure.CLOSED_PORT: "nothing listens at the port of the record's address (EBBMARK_RECORD_BASE_URL), or a "
    "firewall refuses the connection",
    CallFailure.UNKNOWN_NAME: "no network address is known for the host name of the record (EBBMARK_RECORD_BASE_URL; "
    "name lookup)",
    CallFailure.UNKNOWN_AUTHORITY: "the record's certificate is signed by an authority that is not trusted here; "
    "EBBMARK_RECORD_AUTHORITIES names a file with the certificate of the one to trust",
    CallFailure.WRONG_HOST_NAME: "the record's certificate is for another host name than the one in its address; "
    "EBBMARK_RECORD_BASE_URL must use a name that the certificate holds",
    CallFailure.NOT_VALID_NOW: "the record's certificate has expired or is not valid yet, by the clock of this "
    "machine; it has to be renewed at the record, no setting here replaces that",
    CallFailure.NO_TLS: "what answers at the record's address speaks no TLS, or none from version 1.2 on; "
    "EBBMARK_RECORD_BASE_URL may name another port than that of https",
    CallFailure.OUR_CERTIFICATE: "the record asks for a client certificate and did not accept ours, or there is none; "
    "EBBMARK_RECORD_CERTIFICATE and EBBMARK_RECORD_CERTIFICATE_KEY name the one to show",
    CallFailure.CONNECT_TIMEOUT: "the record did not accept a connection in time",
    CallFailure.POOL_TIMEOUT: "no connection to the record was free in time",
    CallFailure.WRITE_TIMEOUT: "the record stopped taking the request in",
    CallFailure.READ_TIMEOUT: "the record took the request and did not answer in time",
    CallFailure.TOO_SLOW: "the whole exchange took longer than allowed",
    CallFailure.CUT: "the connection broke before the reply was complete",
    CallFailure.TOO_LARGE: "the reply was longer than allowed and was not read",
    CallFailure.NOT_UTF8: "the reply was not UTF-8",
    CallFailure.UNREADABLE: "the reply was not a transaction-response with one entry per request",
    CallFailure.SURPRISING_ADDRESS: "its name leads into a network that is not listed as one of its own; "
    "EBBMARK_PRIVATE_NETWORKS lists networks inside the house",
    CallFailure.SIGN_IN_REFUSED: "the authorization server of the record refused our sign-in",
    CallFailure.SIGN_IN_FAILED: "the sign-in at the authorization server of the record failed for now",
}
"""Each trouble as a clause for a person."""


class StopReason(Enum):
    """Why no further attempt is made."""

    ANSWERED = "answered"
    LOOK = "look"
    REFUSED = "refused"
    NOT_REPEATABLE = "not-repeatable"
    ATTEMPTS_USED = "attempts-used"
    WAIT_TOO_LONG = "wait-too-long"


@dataclass(frozen=True, slots=True)
class RetryLimits:
    """Bounds on repeats.

    Attributes:
        max_attempts: attempts in all, the first included.
        max_total_wait_s: sum of the waits between attempts [s]; the attempts' own time is not counted.
        first_wait_s: wait after the first attempt [s]; it doubles after each.
        longest_wait_s: the doubling stops here [s].
        settling_wait_s: shortest wait where the request may have arrived and still be at work [s].
    """

    max_attempts: int = 4
    max_total_wait_s: float = 30.0
    first_wait_s: float = 0.5
    longest_wait_s: float = 8.0
    settling_wait_s: float = 5.0


@dataclass(frozen=True, slots=True)
class Seen:
    """What one attempt brought: an HTTP status or a trouble, and the Retry-After header if there was one."""

    what: int | CallFailure
    retry_after: str | None = None


@dataclass(frozen=True, slots=True)
class Retry:
    """Try again after this wait [s]."""

    wait_s: float


@dataclass(frozen=True, slots=True)
class Stop:
    """No further attempt, and why."""

    reason: StopReason


@dataclass(frozen=True, slots=True)
class Repeated(Generic[T]):
    """Every attempt in order, why they ended, and how long was waited between them [s]."""

    attempts: tuple[T, ...]
    stop: Stop
    waited_s: float


# 500, 502, 503 and 504 can come from a gateway after the server behind it did the work; 429 turns away at the door.
_TRANSIENT_AFTER_ARRIVAL = frozenset({500, 502, 503, 504})
_TURNED_AWAY = 429
_LOOKED_AT = frozenset({409, 412})
# Several servers look up and create without a lock between: two equal conditional creates at once can both create.
# So a repeat waits until the first has probably ended.
_MAY_STILL_WORK: frozenset[int | CallFailure] = frozenset(
    {CallFailure.WRITE_TIMEOUT, CallFailure.READ_TIMEOUT, CallFailure.TOO_SLOW, CallFailure.CUT, 502, 504}
)


def decide(
    seen: Seen, *, attempt: int, waited_s: float, limits: RetryLimits, repeat_safe: bool, now: datetime
) -> Retry | Stop:
    """Decide between another attempt and the end.

    Args:
        seen: status or trouble of the attempt just made.
        attempt: its number, from 1.
        waited_s: waits so far [s].
        repeat_safe: a second arrival of the same request changes nothing more.
        now: current time with zone, for a Retry-After that is a date.

    Returns:
        Retry with the wait: the longest of our doubling wait, the settling wait where it applies, and the wait that
        the record asked for. Else Stop with the reason.
    """
    reason = _reason_to_stop(seen.what, repeat_safe)
    if reason is not None:
        return Stop(reason)
    if attempt >= limits.max_attempts:
        return Stop(StopReason.ATTEMPTS_USED)
    wait_s = max(_own_wait_s(seen.what, attempt, limits), retry_after_s(seen.retry_after, now) or 0.0)
    if waited_s + wait_s > limits.max_total_wait_s:
        return Stop(StopReason.WAIT_TOO_LONG)
    return Retry(wait_s)


def _own_wait_s(what: int | CallFailure, attempt: int, limits: RetryLimits) -> float:
    # The exponent is bounded because 2.0 ** 1024 overflows, and the doubling stops long before.
    doubling_s = min(limits.first_wait_s * 2.0 ** min(attempt - 1, 64), limits.longest_wait_s)
    return max(doubling_s, limits.settling_wait_s) if what in _MAY_STILL_WORK else doubling_s


def _reason_to_stop(what: int | CallFailure, repeat_safe: bool) -> StopReason | None:
    if isinstance(what, CallFailure):
        transient, may_have_arrived = what.transient, what.may_have_arrived
    elif 200 <= what < 300:
        return StopReason.ANSWERED
    elif what in _LOOKED_AT:
        return StopReason.LOOK
    else:
        may_have_arrived = what in _TRANSIENT_AFTER_ARRIVAL
        transient = may_have_arrived or what == _TURNED_AWAY
    if not transient:
        return StopReason.REFUSED
    return StopReason.NOT_REPEATABLE if may_have_arrived and not repeat_safe else None


def retry_after_s(header: str | None, now: datetime) -> float | None:
    """Read a Retry-After header.

    Args:
        header: whole seconds or an HTTP date; None where absent.

    Returns:
        Seconds from now, never negative, possibly infinite; None for an absent or malformed header.

    Source: RFC 9110 sections 10.2.3 and 5.6.7 (a date in any of its three forms is UTC).
    """
    text = (header or "").strip(" \t")
    if text.isascii() and text.isdigit():
        return float(text)  # unlike int, takes any number of digits and ends at infinity
    try:
        when = parsedate_to_datetime(text)
        aware = when if when.tzinfo is not None else when.replace(tzinfo=UTC)
        return max(0.0, (aware - now).total_seconds())
    except (ValueError, OverflowError, IndexError, TypeError):
        return None  # a malformed wish is no wish; our own wait applies


async def repeat(
    attempt: Callable[[], Awaitable[T]],
    see: Callable[[T], Seen],
    *,
    limits: RetryLimits,
    repeat_safe: bool,
    sleep: Sleep,
    now: Now,
) -> Repeated[T]:
    """Make attempts until `decide` says stop.

    Args:
        attempt: makes one attempt and returns what it brought, never raising for a failure of the network.
        see: reduces that to what `decide` looks at.
        repeat_safe: see `decide`.
        sleep: waits for so many seconds.

    Returns:
        All attempts in order, and why they ended.
    """
    made: list[T] = []
    waited_s = 0.0
    while True:
        made.append(await attempt())
        decision = decide(
            see(made[-1]),
            attempt=len(made),
            waited_s=waited_s,
            limits=limits,
            repeat_safe=repeat_safe,
            now=now(),
        )
        if isinstance(decision, Stop):
            return Repeated(tuple(made), decision, waited_s)
        seen = see(made[-1]).what
        count(Measured.RETRIES, seen.slug if isinstance(seen, CallFailure) else str(seen))
        await sleep(decision.wait_s)
        waited_s += decision.wait_s


class SingleFlight(Generic[T]):
    """One run at a time; whoever asks meanwhile gets its outcome.

    Args:
        run: does the work, never raising for a failure of the network.
    """

    def __init__(self, run: Callable[[], Awaitable[T]]) -> None:
        self._run = run
        self._flight: asyncio.Task[T] | None = None

    async def __call__(self) -> T:
        """Join the run under way, or start one."""
        if self._flight is None:
            self._flight = asyncio.create_task(self._landed())
        # A caller that gives up waiting must not end the run that others wait for.
        return await asyncio.shield(self._flight)

    @property
    def under_way(self) -> bool:
        """Whether a run has begun and not ended."""
        return self._flight is not None

    async def _landed(self) -> T:
        try:
            return await self._run()
        finally:
            self._flight = None

    def cancel(self) -> None:
        """End a run that nobody waits for any more."""
        if self._flight is not None:
            self._flight.cancel()


class ViewCache:
    """The readings of one view, each made once.

    Attributes:
        reach_s: how far back the furthest of its questions goes [s before the end of what is asked]; 0 where that is
            not known, and each reads its own time.
    """

    def __init__(self) -> None:
        self.reach_s = 0.0
        self._readings: dict[Hashable, asyncio.Task[Any]] = {}
        self._waiting: Counter[Hashable] = Counter()

    async def once(self, key: Hashable, read: Callable[[], Awaitable[T]]) -> T:
        """Read, or wait for whoever reads the same.

        Args:
            read: does it, never raising for a failure of the network.
        """
        if key not in self._readings:
            self._readings[key] = asyncio.ensure_future(_awaited(read))
        reading = self._readings[key]
        self._waiting[key] += 1
        try:
            # A question that gives up waiting must not end the reading that others wait for.
            return cast("T", await asyncio.shield(reading))
        finally:
            self._waiting[key] -= 1
            if not self._waiting[key] and not reading.done():
                # With nobody left it would go on asking the record after the view has been answered.
                del self._readings[key]
                reading.cancel()


async def _awaited(read: Callable[[], Awaitable[T]]) -> T:
    return await read()
