"""What is to be replayed, and what is said about it? Parameters in, Parameters out."""

from __future__ import annotations

import re
from dataclasses import dataclass

import msgspec

from ebbmark.audit.replay import Replayed
from ebbmark.audit.signature import Verified
from ebbmark.fhir.parameters import REPLAY_INPUTS
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.writing.frame import REQUEST_SYSTEM
from ebbmark.fhir.writing.normal_form import NotAnAnswer, resources_of

__all__ = ["ReplayAsked", "not_an_answer", "replay_asked", "replay_told"]

Json = dict[str, object]

_IDENTITY = re.compile(r"[0-9a-f]{64}")
_NAMES = tuple(row.name for row in REPLAY_INPUTS)


@dataclass(frozen=True, slots=True)
class ReplayAsked:
    """What is to be replayed.

    Attributes:
        identity: of an answer in the record; None where the answer was sent.
        answer: full URL and resource of each resource of the answer; None where it is in the record.
        inputs: the same of the inputs; None where they are in the record.
    """

    identity: str | None
    answer: list[tuple[str, Json]] | None
    inputs: list[tuple[str, Json]] | None


class _Identifier(msgspec.Struct):
    value: str = ""


class _Parameter(msgspec.Struct):
    name: str = ""
    valueIdentifier: _Identifier | None = None
    resource: Json | None = None


class _Parameters(msgspec.Struct, tag_field="resourceType", tag="Parameters"):
    parameter: list[_Parameter] = []


def replay_asked(body: bytes) -> ReplayAsked:
    """Read the question.

    Raises:
        Rejected: with what is wrong with it.
    """
    try:
        given = msgspec.json.decode(body, type=_Parameters).parameter
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        sentence = "The body is not a FHIR R4 Parameters resource in JSON."
        raise Rejected((Problem(ProblemKind.NOT_FHIR, "", "something else", "Parameters", sentence),)) from None
    found: dict[str, _Parameter] = {}
    problems = []
    for number, one in enumerate(given):
        path = f"Parameters.parameter[{number}]"
        if one.name not in _NAMES:
            accepted = ", ".join(_NAMES)
            sentence = f"There is no parameter {one.name[:60]!r}; accepted: {accepted}."
            problems.append(Problem(ProblemKind.UNKNOWN_PARAMETER, f"{path}.name", one.name[:60], accepted, sentence))
        elif one.name in found:
            sentence = f"The parameter {one.name} may be given once."
            problems.append(Problem(ProblemKind.REPEATED_PARAMETER, path, one.name, "once", sentence))
        found.setdefault(one.name, one)
    identifier = found["request-identifier"].valueIdentifier if "request-identifier" in found else None
    identity = identifier.value if identifier is not None else None
    if (identity is None) is ("answer" not in found):
        accepted = "either request-identifier or answer"
        sentence = f"Say what is to be replayed: {accepted}."
        problems.append(Problem(ProblemKind.BAD_PARAMETER, "", "none of them, or both", accepted, sentence))
    if identity is not None and not _IDENTITY.fullmatch(identity):
        accepted = "valueIdentifier: 64 hexadecimal digits"
        sentence = f"The parameter request-identifier needs {accepted}."
        where = "Parameters.parameter.where(name='request-identifier')"
        problems.append(Problem(ProblemKind.BAD_PARAMETER, where, "something else", accepted, sentence))
    bundles = {name: _bundle(found[name], problems) for name in ("answer", "inputs") if name in found}
    if problems:
        raise Rejected(tuple(problems))
    return ReplayAsked(identity, bundles.get("answer"), bundles.get("inputs"))


def replay_told(outcome: Replayed, verified: Verified) -> Json:
    """FHIR R4 Parameters with what was found."""
    told: list[Json] = [
        {"name": "same", "valueBoolean": outcome.same},
        {"name": "request-identifier", "valueIdentifier": {"system": REQUEST_SYSTEM, "value": outcome.identity}},
        {"name": "signature", "valueCode": verified.value},
        {"name": "not-checked", "valueInteger": outcome.not_checked},
    ]
    for one in outcome.findings:
        parts: list[Json] = [{"name": "kind", "valueCode": one.kind.value}]
        parts += [{"name": "path", "valueString": one.path}] if one.path else []
        for name, value in (("expected", one.expected), ("found", one.found)):
            if value is not None:
                parts.append({"name": name, "valueString": msgspec.json.encode(value).decode()})
        parts.append({"name": "sentence", "valueString": one.sentence})
        told.append({"name": "difference", "part": parts})
    return {"resourceType": "Parameters", "parameter": told}


def not_an_answer(error: NotAnAnswer) -> Rejected:
    """The refusal of resources that are not one answer."""
    accepted = "the resources of one answer of this service"
    sentence = f"This is not {accepted}: {error}."
    return Rejected((Problem(ProblemKind.BAD_PARAMETER, "", str(error), accepted, sentence),))


def _bundle(parameter: _Parameter, problems: list[Problem]) -> list[tuple[str, Json]]:
    try:
        return [(full_url, dict(resource)) for full_url, resource in resources_of(parameter.resource)]
    except NotAnAnswer:
        accepted = "resource: a Bundle"
        sentence = f"The parameter {parameter.name} needs {accepted}."
        where = f"Parameters.parameter.where(name='{parameter.name}')"
        problems.append(Problem(ProblemKind.BAD_PARAMETER, where, "something else", accepted, sentence))
        return []
