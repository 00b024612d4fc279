"""How is one thing read from the record: a resource, a page of a search, or a plain reason why not?

Reads change nothing, so that each is repeated within the client's limits like a write that is safe to repeat. What
the record says in its own words is never quoted, since it may hold patient data.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from ebbmark.record.client import Answer, Failure, RecordClient, Reply, decoded
from ebbmark.record.outcome import TROUBLE_WORDS
from ebbmark.record.retrying import Now, Seen, Sleep, Trouble, repeat

__all__ = ["ReadFailure", "Waiting", "read_json"]

T = TypeVar("T")

_STATUS_WORDS = {
    400: "the record could not read the question",
    401: "the record did not accept our sign-in",
    403: "our sign-in does not allow this read",
    404: "the record has nothing at this address",
    410: "what was asked for was deleted from the record",
    414: "the question was longer than the record accepts",
    429: "the record is turning requests away because there are too many",
    503: "the record is not available just now",
}
_UNREADABLE = (None, Trouble.UNREADABLE)


@dataclass(frozen=True, slots=True)
class Waiting:
    """How time passes between two attempts.

    Attributes:
        sleep: waits for so many seconds.
        now: current time with zone, for a Retry-After that is a date.
    """

    sleep: Sleep
    now: Now


@dataclass(frozen=True, slots=True)
class ReadFailure:
    """Nothing usable came back.

    Attributes:
        sentence: why, as a clause in our own words.
        status: HTTP status of the last reply; None where none came.
    """

    sentence: str
    status: int | None


async def read_json(
    record: RecordClient,
    target: str,
    shape: type[T],
    *,
    waiting: Waiting,
    form: bytes | None = None,
    headers: Mapping[str, str] | None = None,
) -> T | ReadFailure:
    """Read one resource or one page.

    Args:
        record: the client.
        target: path and query below the base, or an absolute URL below it.
        shape: msgspec Struct of what is wanted; other fields are passed over.
        waiting: how time passes between attempts.
        form: parameters of a search by POST; None for a GET.
        headers: further headers.
    """
    method = "GET" if form is None else "POST"
    sent = {**({"Content-Type": "application/x-www-form-urlencoded"} if form is not None else {}), **(headers or {})}

    async def attempt() -> tuple[Answer, T | None]:
        answer = await record.send(method, target, content=form or b"", headers=sent)
        good = isinstance(answer, Reply) and 200 <= answer.status < 300
        return answer, decoded(answer, shape) if isinstance(answer, Reply) and good else None

    repeated = await repeat(
        attempt, _seen, limits=record.settings.limits, repeat_safe=True, sleep=waiting.sleep, now=waiting.now
    )
    answer, value = repeated.attempts[-1]
    if value is not None:
        return value
    if isinstance(answer, Failure):
        return ReadFailure(TROUBLE_WORDS[answer.trouble], None)
    if 200 <= answer.status < 300:
        lost = answer.lost
        why = "the reply was not what FHIR asks for" if lost in _UNREADABLE else TROUBLE_WORDS[lost]
    else:
        usual = "the record failed" if answer.status >= 500 else "the record refused"
        why = _STATUS_WORDS.get(answer.status, usual)
    return ReadFailure(f"{why} (HTTP {answer.status})", answer.status)


def _seen(attempt: tuple[Answer, object]) -> Seen:
    answer, value = attempt
    if isinstance(answer, Failure):
        return Seen(answer.trouble)
    unreadable = 200 <= answer.status < 300 and value is None
    return Seen((answer.lost or Trouble.UNREADABLE) if unreadable else answer.status, answer.retry_after)
