"""From bytes to typed structures, once; and how much is read at most."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

from ebbmark.fhir.model import ANY_RESOURCE, Bundle, Parameters
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.decode_errors import body_problem, look_again, not_a_request

__all__ = ["BYTE_ORDER_MARK", "DEFAULT_LIMITS", "Limits", "decode"]

BYTE_ORDER_MARK = b"\xef\xbb\xbf"
"""Some senders put it before UTF-8; it says nothing."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How much is read at most.

    Attributes:
        max_bytes: length of the body.
        max_entries: entries of a Bundle, and parameters.
    """

    max_bytes: int = 2_000_000
    max_entries: int = 5_000


DEFAULT_LIMITS = Limits()


def decode(
    body: bytes, limits: Limits, *, not_read: frozenset[str] = frozenset()
) -> tuple[Parameters | Bundle | None, list[Problem]]:
    """The request as typed structures, and what is wrong with its shape.

    Args:
        body: UTF-8 JSON as received.
        limits: how much is read at most.
        not_read: types of resource that the operation does not read, and whose shape does not matter.
    """
    if len(body) > limits.max_bytes:
        found, accepted = f"{len(body)} bytes", f"{limits.max_bytes} bytes"
        sentence = f"The body has {found}; at most {accepted} are read."
        return None, [Problem(ProblemKind.TOO_LARGE, "", found, accepted, sentence)]
    body = body.removeprefix(BYTE_ORDER_MARK)
    problem = body_problem(body)
    if problem is not None:
        return None, [problem]
    try:
        decoded = ANY_RESOURCE.decode(body)
    except (msgspec.DecodeError, RecursionError) as error:
        return look_again(body, str(error), not_read)
    if isinstance(decoded, Bundle | Parameters):
        return decoded, []
    return None, [not_a_request(type(decoded).__name__)]
