"""How much of a request's body is read? No further than the limit."""

from __future__ import annotations

from collections.abc import AsyncIterator

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected

__all__ = ["read_body"]


async def read_body(stream: AsyncIterator[bytes], max_bytes: int) -> bytes:
    """The body.

    Args:
        stream: its pieces.
        max_bytes: longest body that is read.

    Raises:
        Rejected: it is longer.
    """
    pieces: list[bytes] = []
    size = 0
    async for piece in stream:
        size += len(piece)
        if size > max_bytes:
            found, accepted = f"a body of more than {max_bytes:,} bytes", f"at most {max_bytes:,} bytes"
            sentence = f"The request has {found}; {accepted} are read. Send only the Observations of the trial."
            raise Rejected((Problem(ProblemKind.TOO_LARGE, "", found, accepted, sentence),))
        pieces.append(piece)
    return pieces[0] if len(pieces) == 1 else b"".join(pieces)
