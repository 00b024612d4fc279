"""The trace context headers of the W3C's own test suite, one row per case.

Source: https://github.com/w3c/trace-context, test/test.py (commit 00a91acf6cc05c274fdcd194e878d04172db3f5f), the
classes for traceparent and tracestate at its strict level; the suite itself needs a server of its own.
"""

from __future__ import annotations

from itertools import count

import pytest

from ebbmark.telemetry.measured import TraceContext, read_trace_context

TRACE, CALLER = "12345678901234567890123456789012", "1234567890123456"
VALID = f"00-{TRACE}-{CALLER}-01"
FUTURE = "what-the-future-will-be-like"
ALL_KEY = "abcdefghijklmnopqrstuvwxyz0123456789_-*/"
ALL_VALUE = "".join(chr(one) for one in range(0x20, 0x7F) if chr(one) not in ",=")


def read(traceparent: list[str], tracestate: list[str] | None = None) -> TraceContext | None:
    numbers = count(1)
    return read_trace_context(traceparent, tracestate or [], new_id=lambda size: f"{next(numbers):0{2 * size}x}")


@pytest.mark.parametrize(
    "traceparent",
    [
        VALID,
        f"cc-{TRACE}-{CALLER}-01",
        f"cc-{TRACE}-{CALLER}-01-{FUTURE}",
        f" {VALID}",
        f"\t{VALID}",
        f"{VALID} ",
        f"{VALID}\t",
        f"\t {VALID} \t",
    ],
)
def test_a_valid_traceparent_is_continued_with_a_span_of_our_own(traceparent: str) -> None:
    place = read([traceparent])

    assert place is not None
    assert (place.trace_id, place.parent_id) == (TRACE, CALLER)
    assert place.span_id != CALLER


@pytest.mark.parametrize(
    "traceparent",
    [
        [],
        [f"00-{TRACE[:-1]}1-{CALLER}-01", VALID],
        [f"{VALID}."],
        [f"{VALID}-{FUTURE}"],
        [f"cc-{TRACE}-{CALLER}-01.{FUTURE}"],
        [f"ff-{TRACE}-{CALLER}-01"],
        [f".0-{TRACE}-{CALLER}-01"],
        [f"0.-{TRACE}-{CALLER}-01"],
        [f"000-{TRACE}-{CALLER}-01"],
        [f"0000-{TRACE}-{CALLER}-01"],
        [f"0-{TRACE}-{CALLER}-01"],
        [f"00-{'0' * 32}-{CALLER}-01"],
        [f"00-.{TRACE[1:]}-{CALLER}-01"],
        [f"00-{TRACE[:-1]}.-{CALLER}-01"],
        [f"00-{TRACE}3-{CALLER}-01"],
        [f"00-{TRACE[:-1]}-{CALLER}-01"],
        [f"00-{TRACE}-{'0' * 16}-01"],
        [f"00-{TRACE}-.{CALLER[1:]}-01"],
        [f"00-{TRACE}-{CALLER}7-01"],
        [f"00-{TRACE}-{CALLER[:-1]}-01"],
        [f"00-{TRACE}-{CALLER}-.0"],
        [f"00-{TRACE}-{CALLER}-0."],
        [f"00-{TRACE}-{CALLER}-001"],
        [f"00-{TRACE}-{CALLER}-1"],
    ],
)
def test_an_invalid_traceparent_is_not_continued(traceparent: list[str]) -> None:
    assert read(traceparent) is None


@pytest.mark.parametrize(
    ("tracestate", "state"),
    [
        (["foo=1,bar=2"], "foo=1,bar=2"),
        ([""], ""),
        (["foo=1", ""], "foo=1"),
        (["", "foo=1"], "foo=1"),
        (["foo=1,bar=2", "rojo=1,congo=2", "baz=3"], "foo=1,bar=2,rojo=1,congo=2,baz=3"),
        (["foo=1,foo=1"], ""),
        (["foo=1", "foo=2"], ""),
        ([f"{ALL_KEY}={ALL_VALUE}"], f"{ALL_KEY}={ALL_VALUE}"),
        ([f"{ALL_KEY}@a-z0-9_-*/={ALL_VALUE}"], f"{ALL_KEY}@a-z0-9_-*/={ALL_VALUE}"),
        (["foo=1 \t , \t bar=2, \t baz=3"], "foo=1,bar=2,baz=3"),
        ([" foo=1"], "foo=1"),
        (["\t foo=1 \t"], "foo=1"),
        (["foo =1"], ""),
        (["FOO=1"], ""),
        (["foo.bar=1"], ""),
        (["foo@=1,bar=2"], ""),
        (["@foo=1,bar=2"], ""),
        (["foo@@bar=1,bar=2"], ""),
        (["foo@bar@baz=1,bar=2"], ""),
        ([",".join(f"bar{number:02d}=1" for number in range(1, 33))], ",".join(f"bar{n:02d}=1" for n in range(1, 33))),
        ([",".join(f"bar{number:02d}=1" for number in range(1, 34))], ""),
    ],
)
def test_the_tracestate_is_passed_on_whole_or_dropped_whole(tracestate: list[str], state: str) -> None:
    place = read([VALID], tracestate)

    assert place is not None
    assert place.state == state


def test_a_call_from_within_names_our_span_as_its_parent() -> None:
    place = read([VALID], ["foo=1"])

    assert place is not None
    assert place.child(lambda size: "a" * 2 * size).headers == {
        "traceparent": f"00-{TRACE}-{'a' * 16}-01",
        "tracestate": "foo=1",
    }
