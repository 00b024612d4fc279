from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmark.record.retry import (
    AttemptOutcome,
    CallFailure,
    RetryLimits,
    StopReason,
    Waiting,
    repeat,
    retry_after_s,
    wait_or_stop,
)
from record.waits import NOON, Waits, noon

LIMITS = RetryLimits(max_attempts=4, max_total_wait_s=30.0, first_wait_s=0.5, longest_wait_s=8.0, settling_wait_s=5.0)


def after(
    what: int | CallFailure,
    *,
    attempt: int = 1,
    waited_s: float = 0.0,
    retry_after: str | None = None,
    repeat_safe: bool = True,
) -> float | StopReason:
    return wait_or_stop(
        AttemptOutcome(what, retry_after),
        attempt=attempt,
        waited_s=waited_s,
        limits=LIMITS,
        repeat_safe=repeat_safe,
        now=NOON,
    )


@pytest.mark.parametrize(
    ("what", "repeatable", "plain"),
    [
        (200, StopReason.ANSWERED, StopReason.ANSWERED),
        (201, StopReason.ANSWERED, StopReason.ANSWERED),
        (302, StopReason.REFUSED, StopReason.REFUSED),
        (308, StopReason.REFUSED, StopReason.REFUSED),
        (400, StopReason.REFUSED, StopReason.REFUSED),
        (401, StopReason.REFUSED, StopReason.REFUSED),
        (403, StopReason.REFUSED, StopReason.REFUSED),
        (404, StopReason.REFUSED, StopReason.REFUSED),
        (409, StopReason.LOOK, StopReason.LOOK),
        (412, StopReason.LOOK, StopReason.LOOK),
        (422, StopReason.REFUSED, StopReason.REFUSED),
        (429, 0.5, 0.5),
        (500, 0.5, StopReason.NOT_REPEATABLE),
        (501, StopReason.REFUSED, StopReason.REFUSED),
        (502, 5.0, StopReason.NOT_REPEATABLE),
        (503, 0.5, StopReason.NOT_REPEATABLE),
        (504, 5.0, StopReason.NOT_REPEATABLE),
        (CallFailure.NOT_ALLOWED, StopReason.REFUSED, StopReason.REFUSED),
        (CallFailure.NOT_SENDABLE, StopReason.REFUSED, StopReason.REFUSED),
        (CallFailure.NOT_CONNECTED, 0.5, 0.5),
        (CallFailure.CONNECT_TIMEOUT, 0.5, 0.5),
        (CallFailure.POOL_TIMEOUT, 0.5, 0.5),
        (CallFailure.WRITE_TIMEOUT, 5.0, StopReason.NOT_REPEATABLE),
        (CallFailure.READ_TIMEOUT, 5.0, StopReason.NOT_REPEATABLE),
        (CallFailure.TOO_SLOW, 5.0, StopReason.NOT_REPEATABLE),
        (CallFailure.CUT, 5.0, StopReason.NOT_REPEATABLE),
        (CallFailure.TOO_LARGE, StopReason.REFUSED, StopReason.REFUSED),
        (CallFailure.NOT_UTF8, StopReason.REFUSED, StopReason.REFUSED),
        (CallFailure.UNREADABLE, 0.5, StopReason.NOT_REPEATABLE),
        (CallFailure.LOST_RACE, 0.5, 0.5),
    ],
)
def test_the_first_attempt_is_followed_as_the_table_says(
    what: int | CallFailure, repeatable: float | StopReason, plain: float | StopReason
) -> None:
    assert after(what, repeat_safe=True) == repeatable
    assert after(what, repeat_safe=False) == plain


@pytest.mark.parametrize(("attempt", "wait_s"), [(1, 0.5), (2, 1.0), (3, 2.0)])
def test_the_wait_doubles(attempt: int, wait_s: float) -> None:
    assert after(503, attempt=attempt) == wait_s


def test_the_last_attempt_is_the_last() -> None:
    assert after(503, attempt=4) == StopReason.ATTEMPTS_USED


def test_a_request_to_come_back_later_is_honoured() -> None:
    assert after(429, retry_after="12") == 12.0


def test_a_request_to_come_back_sooner_than_our_own_wait_does_not_hurry_us() -> None:
    assert after(429, attempt=3, retry_after="0") == 2.0


def test_a_request_to_come_back_at_a_time_is_honoured() -> None:
    assert after(503, retry_after="Mon, 02 Mar 2026 12:00:20 GMT") == 20.0


@pytest.mark.parametrize("absurd", ["31", "86400", "9" * 5000, "Fri, 31 Dec 9999 23:59:59 GMT"])
def test_a_wait_beyond_the_bound_ends_the_attempts_at_once(absurd: str) -> None:
    assert after(429, retry_after=absurd) == StopReason.WAIT_TOO_LONG


def test_waits_already_spent_count_towards_the_bound() -> None:
    assert after(429, attempt=2, waited_s=25.0, retry_after="5") == 5.0
    assert after(429, attempt=2, waited_s=25.5, retry_after="5") == StopReason.WAIT_TOO_LONG


@pytest.mark.parametrize("malformed", ["", "soon", "-5", "1.5", "1e3", "12 s", "\u0665", "Mon, 99 Foo 2026", "0x10"])
def test_a_malformed_wish_is_no_wish(malformed: str) -> None:
    assert retry_after_s(malformed, NOON) is None
    assert after(429, retry_after=malformed) == 0.5


@pytest.mark.parametrize(
    "spelling",
    # RFC 9110 section 5.6.7 prints these three spellings of one instant.
    ["Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"],
)
def test_all_three_spellings_of_a_date_are_read(spelling: str) -> None:
    a_minute_before = datetime(1994, 11, 6, 8, 48, 37, tzinfo=UTC)

    assert retry_after_s(spelling, a_minute_before) == 60.0


def test_a_date_gone_by_is_no_wait() -> None:
    assert retry_after_s("Sun, 06 Nov 1994 08:49:37 GMT", NOON) == 0.0


@settings(deadline=None)
@given(st.integers(min_value=0, max_value=999_999_999))
def test_whole_seconds_are_read_as_they_stand(seconds: int) -> None:
    assert retry_after_s(str(seconds), NOON) == seconds


@settings(deadline=None)
@given(st.integers(min_value=-(10**9), max_value=10**9))
def test_a_date_is_read_as_the_seconds_until_then(seconds: int) -> None:
    header = format_datetime(NOON + timedelta(seconds=seconds), usegmt=True)

    assert retry_after_s(header, NOON) == max(0, seconds)


@settings(deadline=None)
@given(st.text() | st.from_regex(r"[A-Z][a-z]{2}, ?[0-9]{1,9} [A-Z][a-z]{2} [0-9]{1,9} [0-9:]{1,9} ?[A-Z+0-9-]*"))
def test_no_header_whatever_raises_or_asks_for_less_than_nothing(header: str) -> None:
    wait_s = retry_after_s(header, NOON)

    assert wait_s is None or 0.0 <= wait_s <= math.inf


statuses_and_troubles = st.integers(min_value=200, max_value=599) | st.sampled_from(CallFailure)
headers = st.none() | st.text(max_size=30) | st.integers(min_value=0, max_value=10**12).map(str)


@settings(deadline=None)
@given(
    what=statuses_and_troubles,
    attempt=st.integers(min_value=1, max_value=10**6),
    max_attempts=st.integers(min_value=1, max_value=10**6),
    waited_s=st.floats(min_value=0, max_value=100),
    header=headers,
    repeat_safe=st.booleans(),
)
def test_no_decision_leaves_the_bounds(
    what: int | CallFailure, attempt: int, max_attempts: int, waited_s: float, header: str | None, repeat_safe: bool
) -> None:
    limits = RetryLimits(max_attempts=max_attempts)

    decision = wait_or_stop(
        AttemptOutcome(what, header),
        attempt=attempt,
        waited_s=waited_s,
        limits=limits,
        repeat_safe=repeat_safe,
        now=NOON,
    )

    if isinstance(decision, float):
        assert attempt < max_attempts
        assert 0 < decision <= limits.max_total_wait_s - waited_s
        assert decision >= (retry_after_s(header, NOON) or 0.0)


@settings(deadline=None)
@given(what=statuses_and_troubles, attempt=st.integers(min_value=1, max_value=5), header=headers)
def test_what_may_not_be_repeated_is_repeated_only_if_it_did_not_arrive(
    what: int | CallFailure, attempt: int, header: str | None
) -> None:
    decision = after(what, attempt=attempt, retry_after=header, repeat_safe=False)

    if isinstance(decision, float):
        assert what == 429 or (isinstance(what, CallFailure) and not what.may_have_arrived)


@settings(deadline=None)
@given(st.lists(statuses_and_troubles, min_size=1, max_size=12), st.integers(min_value=1, max_value=8))
def test_the_same_answers_bring_the_same_waits(answers: list[int | CallFailure], max_attempts: int) -> None:
    first, second = ([after(what, attempt=number) for number, what in enumerate(answers, start=1)] for _ in range(2))

    assert first == second


@pytest.mark.anyio
async def test_attempts_go_on_until_an_answer_and_keep_their_order() -> None:
    answers: Iterator[int] = iter([503, 429, 200, 200])
    waits = Waits()

    async def attempt() -> int:
        return next(answers)

    repeated = await repeat(attempt, AttemptOutcome, limits=LIMITS, repeat_safe=True, waiting=Waiting(waits, noon))

    assert repeated.attempts == (503, 429, 200)
    assert repeated.stop == StopReason.ANSWERED
    assert waits.asked_s == [0.5, 1.0]
