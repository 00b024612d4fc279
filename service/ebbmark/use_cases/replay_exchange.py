"""What comes in to be replayed and how the outcome is told: FHIR Parameters, files and plain text."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import msgspec

from ebbmark.audit.comparison import (
    ReplayFinding,
    ReplayOutcome,
    outcome_of,
)
from ebbmark.audit.signature import Verified, verify
from ebbmark.audit.stored_answer import CHOICES
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.naming import REQUEST_SYSTEM
from ebbmark.fhir.operations import REPLAY_INPUTS
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.decode import require_each_key_once
from ebbmark.fhir.writing.normal_form import NormalForm, NotAnAnswer, resources_of
from ebbmark.fhir.writing.supersession import unmarked
from ebbmark.keys import read_public_keys
from ebbmark.words.messages import say

Json = dict[str, object]

_IDENTITY = re.compile(r"[0-9a-f]{64}")
_NAMES = tuple(row.name for row in REPLAY_INPUTS)
_AGAINST = (Verified.BROKEN, Verified.PARTLY)


@dataclass(frozen=True, slots=True)
class ReplayRequest:
    """What is to be replayed.

    Attributes:
        identity: of an answer in the record; None where the answer was sent.
        answer: full URL and resource of each resource of the answer; None where it is in the record.
        inputs: the same of the inputs; None where they are in the record.
    """

    identity: str | None
    answer: list[tuple[str, Json]] | None
    inputs: list[tuple[str, Json]] | None


@dataclass(frozen=True, slots=True)
class Inputs:
    """Inputs from a file or from the record.

    Attributes:
        resources: full URL (or empty) and resource of each.
        choices: the parameters of a request that say how to read them.
        current: version in force now by `Type/id`, where the record told it.
    """

    resources: list[tuple[str, Json]]
    choices: tuple[Json, ...] = ()
    current: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ReplayReport:
    """What is said about a replay.

    Attributes:
        parameters: both as FHIR R4 Parameters.
        with_keys: whether trusted keys were given, so that nothing but a valid signature will do.
    """

    outcome: Replayed
    verified: Verified
    parameters: Json
    with_keys: bool = False

    @property
    def doubtful(self) -> bool:
        """Whether the signature speaks against the answer, or is not the wanted one, whatever its inputs give."""
        return _doubtful(self.verified, self.with_keys)


class _Identifier(msgspec.Struct):
    value: str = ""


class _Parameter(msgspec.Struct):
    name: str = ""
    valueIdentifier: _Identifier | None = None
    resource: Json | None = None


class _Parameters(msgspec.Struct, tag_field="resourceType", tag="Parameters"):
    parameter: list[_Parameter] = []


def read_replay_request(body: bytes) -> ReplayRequest:
    """Read the question.

    Raises:
        Rejected: with what is wrong with it.
    """
    require_each_key_once(body)
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
            sentence = f"There is no such parameter; accepted: {accepted}."
            problems.append(Problem(ProblemKind.UNKNOWN_PARAMETER, f"{path}.name", "another name", accepted, sentence))
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
    return ReplayRequest(identity, bundles.get("answer"), bundles.get("inputs"))


def replay_parameters(outcome: Replayed, verified: Verified) -> Json:
    """FHIR R4 Parameters with what was found."""
    told: list[Json] = [
        {"name": "same", "valueBoolean": outcome.same},
        {"name": "outcome", "valueCode": outcome.outcome.value},
        {"name": "request-identifier", "valueIdentifier": {"system": REQUEST_SYSTEM, "value": outcome.identity}},
        {"name": "signature", "valueCode": verified.value},
        {"name": "not-checked", "valueInteger": outcome.not_checked},
    ]
    for finding in outcome.findings:
        parts: list[Json] = [{"name": "kind", "valueCode": finding.kind.value}]
        parts += [{"name": "path", "valueString": finding.path}] if finding.path else []
        for name, value in (("expected", finding.expected), ("found", finding.found)):
            if value is not None:
                parts.append({"name": name, "valueString": msgspec.json.encode(value).decode()})
        parts.append({"name": "sentence", "valueString": finding.sentence})
        told.append({"name": "difference", "part": parts})
    return {"resourceType": "Parameters", "parameter": told}


def check_signature(answer: bytes, keys: bytes | None) -> tuple[str, bool]:
    """Check the signature of an answer that is shown and not replayed.

    Args:
        keys: JSON Web Key Set; None where no signature is to be believed.

    Returns:
        The finding as a sentence, and whether it speaks against the answer.

    Raises:
        Rejected: a file cannot be read.
        NotAnAnswer: it is not one answer.
    """
    verified = verified_by(read_stored(answer), keys)
    kind = "not-checked" if keys is None and verified is Verified.UNKNOWN_KEY else verified.value
    return say(f"signature.{kind}"), _doubtful(verified, keys is not None)


def verified_by(stored: Iterable[tuple[str, Json]], keys: bytes | None) -> Verified:
    """What the signature of a stored answer proves under these keys (JSON Web Key Set)."""
    trusted = () if keys is None else read_public_keys(keys)
    if trusted is None:
        raise _unreadable("keys", "a JSON Web Key Set")
    return verify([(url, unmarked(one)) for url, one in stored], trusted).verified


def _doubtful(verified: Verified, with_keys: bool) -> bool:
    return verified is not Verified.VALID if with_keys else verified in _AGAINST


def read_stored(body: bytes) -> list[tuple[str, Json]]:
    """Full URL and resource of each resource of an answer Bundle.

    Raises:
        Rejected: it is no JSON.
        NotAnAnswer: it is no Bundle.
    """
    return [(url, dict(one)) for url, one in resources_of(_decoded(body, "answer"))]


def read_inputs(body: bytes) -> Inputs:
    """The inputs in a file.

    Raises:
        Rejected: it is no JSON.
        NotAnAnswer: it is neither of the two.
    """
    value = _decoded(body, "inputs")
    if not isinstance(value, dict) or value.get("resourceType") != "Parameters":
        return Inputs([(url, dict(one)) for url, one in resources_of(value)])
    found: list[tuple[str, Json]] = []
    choices: list[Json] = []
    parameters = value.get("parameter")
    for one in parameters if isinstance(parameters, list) else []:
        resource = one.get("resource") if isinstance(one, dict) else None
        if isinstance(one, dict) and isinstance(one.get("name"), str) and one["name"] in CHOICES:
            choices.append(one)
        elif isinstance(resource, dict) and resource.get("resourceType") == "Bundle":
            found += [(url, dict(each)) for url, each in resources_of(resource)]
        elif isinstance(resource, dict):
            found.append(("", resource))
    return Inputs(found, tuple(choices))


def text_of(told: ReplayReport) -> str:
    """The same for a person; a signature that makes the answer doubtful is said first."""
    outcome = told.outcome
    kind = outcome.outcome.value
    if outcome.outcome is ReplayOutcome.INPUTS_AMENDED and not outcome.computed:
        kind = "versions-missing"
    lines = [f"Answer {outcome.identity}", say(f"replay.{kind}")]
    lines += [f"- {finding.sentence}" for finding in outcome.findings]
    if outcome.not_checked:
        lines.append(say("replay.not-checked", count=outcome.not_checked))
    lines.insert(0 if told.doubtful else len(lines), say(f"signature.{told.verified.value}"))
    return "\n".join(lines) + "\n"


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


def _decoded(body: bytes, name: str) -> object:
    try:
        return msgspec.json.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        raise _unreadable(name, "JSON") from None


def _unreadable(name: str, accepted: str) -> Rejected:
    sentence = f"The file with the {name} is not {accepted}."
    return Rejected((Problem(ProblemKind.NOT_JSON, "", "something else", accepted, sentence),))


Render = Callable[[Answer, float], bytes]
"""Makes the page of a report, for an instant of recording [s since 1970-01-01T00:00:00Z]."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """The outcome.

    Attributes:
        findings: every difference, and what happened to the answer afterwards.
        not_checked: remarks of the answer that cannot be computed again.
        computed: whether an answer could be computed at all from the versions, and under the charting table, that were
            used.
        expected: the answer that follows from the inputs; None where none does.
    """

    identity: str
    findings: tuple[ReplayFinding, ...]
    not_checked: int
    computed: bool = True
    expected: NormalForm | None = None

    @property
    def outcome(self) -> ReplayOutcome:
        """Which of the five it is."""
        return outcome_of(self.findings, computed=self.computed)

    @property
    def same(self) -> bool:
        """Whether the stored answer is, byte for byte, what its inputs give; what came afterwards aside."""
        return self.computed and self.outcome in (ReplayOutcome.SAME, ReplayOutcome.INPUTS_AMENDED)
