"""How are the elements of a CDS Hooks message looked at one by one, each with a plain refusal?

Source: CDS Hooks 2.0, "Use of JSON": null and empty elements are forbidden, so that they count as absent.
"""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.careful import body_problem, too_deep

__all__ = ["Raws", "decoded", "has", "json_object", "members_of", "refusal"]

Raws = Mapping[str, msgspec.Raw]
"""The members of a JSON object, each as it came."""

_EMPTY = (b"null", b'""', b"{}", b"[]")


def refusal(element: str, found: str, accepted: str, kind: ProblemKind = ProblemKind.HOOK_REQUEST) -> Problem:
    """An element of the request that is not as the standard wants it."""
    sentence = f"{element or 'The request'}: found {found}; needed is {accepted}."
    return Problem(kind, element, found, accepted, sentence)


def json_object(body: bytes) -> Raws:
    """The members of a JSON object, each as it came.

    Raises:
        Rejected: the body is something else.
    """
    problem = body_problem(body)
    if problem is not None:
        raise Rejected((problem,))
    try:
        return msgspec.json.decode(body, type=dict[str, msgspec.Raw])
    except RecursionError:
        raise Rejected((too_deep(),)) from None
    except msgspec.ValidationError:
        raise Rejected((refusal("", "JSON that is no object", "a JSON object"),)) from None
    except msgspec.DecodeError:
        sentence = "The body is not JSON, or not all of it arrived."
        raise Rejected((Problem(ProblemKind.NOT_JSON, "", "no JSON", "a JSON object", sentence),)) from None


def has(members: Raws, name: str) -> bool:
    """Whether an element is there; null and empty count as absent, since the standard forbids them."""
    return name in members and bytes(members[name]).strip() not in _EMPTY


def decoded(members: Raws, name: str) -> object:
    """One element as plain JSON; None where it cannot be read."""
    try:
        return msgspec.json.decode(members[name])
    except (msgspec.DecodeError, RecursionError):
        return None


def members_of(sent: Raws, name: str, problems: list[Problem], *, needed: bool = True) -> Raws:
    """The members of an element that is an object; empty where it is absent, or is a problem."""
    if not has(sent, name):
        if needed:
            problems.append(refusal(name, "nothing", "a JSON object"))
        return {}
    try:
        return msgspec.json.decode(sent[name], type=dict[str, msgspec.Raw])
    except (msgspec.DecodeError, RecursionError):
        problems.append(refusal(name, "something that is no JSON object", "a JSON object"))
        return {}
