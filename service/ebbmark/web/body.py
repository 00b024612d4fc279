"""How much of a request's body is read, and how long is waited for it?"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from starlette.requests import ClientDisconnect

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected

__all__ = ["read_body"]

LONGEST_WAIT_S = 30.0
"""A body that has not arrived by then is given up: whoever sends a byte a minute must not hold a connection."""


async def read_body(stream: AsyncIterator[bytes], max_bytes: int, *, longest_wait_s: float = LONGEST_WAIT_S) -> bytes:
    """The body.

    Args:
        stream: its pieces.
        max_bytes: longest body that is read.
        longest_wait_s: for the whole of it [s].

    Raises:
        Rejected: it is longer, does not arrive in time, or the caller has gone.
    """
    pieces: list[bytes] = []
    size = 0
    try:
        async with asyncio.timeout(longest_wait_s):
            async for piece in stream:
                size += len(piece)
                if size > max_bytes:
                    raise Rejected((_too_large(max_bytes),))
                pieces.append(piece)
    except TimeoutError:
        found, accepted = f"a body that is not complete after {longest_wait_s:g} s", "a body sent without pauses"
        sentence = f"The request has {found}; accepted: {accepted}."
        raise Rejected((Problem(ProblemKind.BODY_LATE, "", found, accepted, sentence),)) from None
    except ClientDisconnect:
        sentence = "The caller closed the connection before the body was complete."
        raise Rejected((Problem(ProblemKind.BODY_LATE, "", "half a body", "the whole", sentence),)) from None
    return pieces[0] if len(pieces) == 1 else b"".join(pieces)


def _too_large(max_bytes: int) -> Problem:
    found, accepted = f"a body of more than {max_bytes:,} bytes", f"at most {max_bytes:,} bytes"
    sentence = f"The request has {found}; {accepted} are read. Send only the Observations of the trial."
    return Problem(ProblemKind.TOO_LARGE, "", found, accepted, sentence)
