"""W3C Trace Context: which trace a request belongs to, read from its headers and handed on to those whom we call.

Source: W3C Recommendation "Trace Context" (https://www.w3.org/TR/trace-context/), sections 3.2 (traceparent),
3.3 (tracestate) and 4 (processing). A caller's trace is continued only where its `traceparent` keeps the form; else a
new one is begun and the caller's `tracestate` is dropped.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

__all__ = ["NewId", "TraceContext", "read_trace_context"]

NewId = Callable[[int], str]
"""Random hexadecimal digits for so many bytes."""

_TRACEPARENT = re.compile(r"([0-9a-f]{2})-([0-9a-f]{32})-([0-9a-f]{16})-([0-9a-f]{2})(-.*)?")
_KEY = r"(?:[a-z0-9][a-z0-9_\-*/]{0,255}|[a-z0-9][a-z0-9_\-*/]{0,240}@[a-z0-9][a-z0-9_\-*/]{0,13})"
_MEMBER = re.compile(rf"({_KEY})=[\x20-\x2b\x2d-\x3c\x3e-\x7e]{{0,255}}[\x21-\x2b\x2d-\x3c\x3e-\x7e]")
_SPACE = " \t"
_MOST_MEMBERS = 32
_LONGEST_STATE = 512
"""Section 3.3.1.5 asks to pass on at least so many characters; a longer one is dropped whole. Our choice."""


@dataclass(frozen=True, slots=True)
class TraceContext:
    """One place in a trace.

    Attributes:
        trace_id: 32 hexadecimal digits.
        span_id: 16 hexadecimal digits, of this request.
        sampled: whether its spans are kept, by the caller's choice or ours.
        parent_id: 16 hexadecimal digits, of the caller's span; empty where the trace begins here.
        state: `tracestate` as received; empty where there is none.
    """

    trace_id: str
    span_id: str
    sampled: bool
    parent_id: str = ""
    state: str = ""

    @property
    def headers(self) -> dict[str, str]:
        """What a request carries that is made from this place."""
        traceparent = f"00-{self.trace_id}-{self.span_id}-{'01' if self.sampled else '00'}"
        return {"traceparent": traceparent, **({"tracestate": self.state} if self.state else {})}

    def child(self, new_id: NewId) -> TraceContext:
        """The place of a call that is made from this one."""
        return TraceContext(self.trace_id, new_id(8), self.sampled, self.span_id, self.state)


def read_trace_context(traceparent: Sequence[str], tracestate: Sequence[str], *, new_id: NewId) -> TraceContext | None:
    """Continue the caller's trace.

    Args:
        traceparent: values of all headers of this name.
        tracestate: likewise, in order.
        new_id: for the span of this request.

    Returns:
        Our place in it; None where the caller names no trace in the form that the standard asks for.
    """
    found = _TRACEPARENT.fullmatch(traceparent[0].strip(_SPACE)) if len(traceparent) == 1 else None
    if found is None:
        return None
    version, trace_id, parent_id, flags, more = found.groups()
    if version == "ff" or (version == "00" and more) or not trace_id.strip("0") or not parent_id.strip("0"):
        return None
    return TraceContext(trace_id, new_id(8), bool(int(flags, 16) & 1), parent_id, _state(tracestate))


def _state(values: Sequence[str]) -> str:
    members = [one.strip(_SPACE) for value in values for one in value.split(",")]
    members = [one for one in members if one]
    matched = [_MEMBER.fullmatch(one) for one in members]
    keys = {one.group(1) for one in matched if one is not None}
    state = ",".join(members)
    # One member that is wrong makes the whole unusable; a key may stand there once.
    return state if len(keys) == len(members) <= _MOST_MEMBERS and len(state) <= _LONGEST_STATE else ""
