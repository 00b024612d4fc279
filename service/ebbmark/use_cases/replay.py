"""Computes a stored answer again from its inputs and names each difference.

The inputs are read in the versions that the answer's Provenance names, with the choices (protocol, margin, form of the
formula, the site's codes) that the answer itself lists. Times of asking and recording do not matter: neither `as-of`
nor `Provenance.recorded` enters a result.

Five outcomes are told apart: the same bytes; the same within rounding, where another engine or another mathematical
library computed it; inputs amended since; not replayable here, for want of the site's charting table; different.
Where the answer's engine is another version, that is said, and
the values are compared all the same.

What cannot be computed again is what the answer says about inputs that it did not use, since no result names them, and
which person chose to record it; the signature covers both. Marks of superseding and a clinician's signature are changes
after the answer, named as such.
"""

from __future__ import annotations

import re
from base64 import b64decode
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace
from hashlib import sha256

import msgspec

from ebbmark.audit.comparison import (
    NOT_REPRODUCIBLE,
    SIGNED_STATUSES,
    Difference,
    Explanation,
    FindingKind,
    ReplayFinding,
    afterwards,
    by_code,
    claimed,
    differences,
    explanation,
    listed_less,
    not_of_the_answer,
    of_charting,
    of_inputs,
    versioned,
    without_places,
)
from ebbmark.audit.stored_answer import (
    ALL_READ,
    AnswerClaims,
    StoredAnswer,
    left_out_inputs,
    require_shape,
    stored_answer,
    with_stored_remarks,
)
from ebbmark.fhir.naming import ANSWER_PROVENANCES, REPORT, REPORT_PROVENANCE
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Limits, RequestContext
from ebbmark.fhir.writing.identity import identity, input_digest
from ebbmark.fhir.writing.normal_form import NormalForm, NotAnAnswer, full_url_of, normal_form, resources_of
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.use_cases.questions import ANSWERS
from ebbmark.use_cases.replay_exchange import (
    Inputs,
    Render,
    Replayed,
    ReplayReport,
    not_an_answer,
    read_inputs,
    read_stored,
    replay_parameters,
    verified_by,
)
from ebbmark.use_cases.titrate import age_told, titrate_told

Json = Mapping[str, object]

_LIMITS = Limits(max_bytes=50_000_000, max_entries=20_000)
_IDENTITY = "identity"
_SIGNATURES = tuple(f"{kind}.signature" for kind in ANSWER_PROVENANCES)
_PAGE = "report.presentedForm[0].data"
_NO_PAGE = "The page of the report cannot be made again here, so that it is not known whether it was changed."
_NOT_GIVEN = "Without the versions that were used the answer cannot be computed again."
_LONG = 10_000
_URN = re.compile(r"urn:uuid:[0-9a-f\-]{36}")


def replay(
    stored: Iterable[tuple[str, Json]],
    inputs: Iterable[tuple[str, Json]],
    context: RequestContext,
    *,
    current: Mapping[str, str] | None = None,
    render: Render | None = None,
    choices: tuple[Json, ...] = (),
) -> Replayed:
    """Compute a stored answer again.

    Args:
        stored: full URL (or empty) and resource of each of its resources: an answer Bundle's, or as read from a record.
        inputs: the Patient and the Observations (with the DeviceMetrics that tell settings from measurements), in the
            versions that the answer names; others are passed over.
        context: the present instant, what the site has decided, and the site's own codes as at the time of the answer;
            codes that the answer lists come before them.
        current: version in force now by `Type/id`, where it is known, to say which inputs were amended since.
        render: makes the page of a report again; where None, a report is said not to be computed.
        choices: parameters of the request, for an answer that does not list its choices itself.

    Raises:
        NotAnAnswer: the resources are not one answer, or an input is not in the shape of FHIR.
    """
    given = list(inputs)
    require_shape(given)
    return replay_answer(stored_answer(stored), given, context, current=current, render=render, choices=choices)


def replay_answer(
    answer: StoredAnswer,
    given: list[tuple[str, Json]],
    context: RequestContext,
    *,
    current: Mapping[str, str] | None = None,
    render: Render | None = None,
    choices: tuple[Json, ...] = (),
) -> Replayed:
    """The same for an answer that was read, from inputs in the shape of FHIR (`require_shape`)."""
    claims = answer.claims
    known = tuple(f"{protocol.slug}|{protocol.version}" for protocol in context.site.protocols)
    of_engine = NOT_REPRODUCIBLE.get(claims.engine_version, "")
    amended = list(of_inputs(claims, given, current or {}))
    findings = [*not_of_the_answer(answer), *afterwards(answer.resources), *claimed(claims, known, of_engine), *amended]
    used = {versioned(one) for _, one in given}
    if any(one.kind is FindingKind.INPUT_AMENDED and one.path not in used for one in amended):
        findings.append(ReplayFinding(FindingKind.INPUT_AMENDED, "", None, None, _NOT_GIVEN))
        return Replayed(answer.form.identity, tuple(findings), 0, computed=False)
    remarks = msgspec.json.encode(answer.form.parts.get("outcome", {})).decode()
    if charting := list(of_charting(remarks, context.code_map.charting)):
        return Replayed(answer.form.identity, (*findings, *charting), 0, computed=False)
    if claims.report is not None and render is None:
        findings.append(ReplayFinding(FindingKind.NOT_COMPUTED, _PAGE, None, None, _NO_PAGE))
    choices = claims.choices if claims.has_choices else _first(choices, claims)
    context = replace(context, limits=_LIMITS)
    try:
        expected = _computed_again(answer, _needed(answer, given), choices, context, render)
    except Rejected as rejected:
        # What an input holds is not repeated.
        refused = [
            ReplayFinding(
                FindingKind.NOT_COMPUTED, problem.expression, None, None, f"No answer follows: {problem.kind.slug}."
            )
            for problem in rejected.problems
        ]
        return Replayed(answer.form.identity, (*findings, *refused), 0)
    told, not_checked = _compared(expected, answer.form, claims.engine_version)
    return Replayed(answer.form.identity, (*findings, *told), not_checked, expected=expected)


def _first(choices: tuple[Json, ...], claims: AnswerClaims) -> tuple[Json, ...]:
    """What the answer tells of its choices, and those of the request that it does not tell."""
    told = {choice["name"] for choice in claims.choices}
    return (*claims.choices, *(choice for choice in choices if choice.get("name") not in told))


def _needed(answer: StoredAnswer, given: list[tuple[str, Json]]) -> list[tuple[str, Json]]:
    """Those of the given inputs that the answer names as used or left out; all where it names some by no address.

    One without an address may have been left out: the answer cannot name it.
    """
    if answer.claims.nameless:
        return given
    named = {one.partition("#")[0] for one in (*answer.claims.inputs, *left_out_inputs(answer.form))}
    return [
        (url, one)
        for url, one in given
        if one.get("resourceType") != "Observation"
        or (versioned(one) in named if one.get("id") else not url or url in named)
    ]


def _computed_again(
    answer: StoredAnswer,
    inputs: list[tuple[str, Json]],
    choices: tuple[Json, ...],
    context: RequestContext,
    render: Render | None,
) -> NormalForm:
    """The answer that follows from the inputs, under the engine version that the stored one names."""
    entries = [{"fullUrl": url, "resource": one} if url else {"resource": one} for url, one in inputs]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    parameters = [{"name": "bundle", "resource": bundle}, *choices]
    body = msgspec.json.encode({"resourceType": "Parameters", "parameter": parameters})
    operation, engine = answer.claims.operation or TITRATE_PEEP, answer.claims.engine_version
    request = read_request(operation, body, context)
    if operation is TITRATE_PEEP:
        # How old the trial was follows from the instant of the request, and from no input: the answer itself tells it.
        found = titrate_told(request, age_told(answer.form.parts))
    else:
        found = ANSWERS[operation.slug](request, context.site)
    # Until 0.3.0 choices were no part of what names the inputs.
    unchosen = replace(found.request, asked=replace(found.request.asked, sex=None), mapped_codes=())
    digest = found.input_digest if answer.claims.has_choices else input_digest(unchosen)
    named = identity(found.basis, digest, engine)
    found = replace(found, engine_version=engine, input_digest=digest, identity=named)
    act, again = answer.claims.results, answer.claims.report
    form = _form(write_bundle(found, recorded_s=act.recorded_s, enterer=act.enterer))
    if again is None:
        return form
    shown = with_stored_remarks(found, answer.form)
    pdf = render(shown, again.recorded_s) if render is not None else _page_of(answer.form)
    with_report = _form(write_bundle(found, recorded_s=again.recorded_s, enterer=again.enterer, report_pdf=pdf))
    report = {kind: with_report.parts[kind] for kind in (REPORT, REPORT_PROVENANCE)}
    return NormalForm(form.identity, {**form.parts, **report})


def _form(bundle: Json) -> NormalForm:
    return normal_form(resources_of(bundle))


def _page_of(stored: NormalForm) -> bytes:
    forms = stored.parts.get(REPORT, {}).get("presentedForm")
    first = forms[0] if isinstance(forms, list) and forms else {}
    data = first.get("data") if isinstance(first, dict) else ""
    try:
        return b64decode(str(data))
    except ValueError:
        return b""


def _compared(expected: NormalForm, found: NormalForm, engine: str) -> tuple[list[ReplayFinding], int]:
    findings: list[ReplayFinding] = []
    differing: list[Difference] = []
    loose = engine in NOT_REPRODUCIBLE
    # The rules that go into an identity have other fields in another engine that is known to differ.
    if expected.identity != found.identity and not loose:
        # All full URLs follow from the identity: one finding says it, and the rest is compared under one name.
        sentence = "The inputs, the protocol and the engine give another identity than the one stored."
        findings.append(ReplayFinding(FindingKind.VALUE, _IDENTITY, expected.identity, found.identity, sentence))
    for kind in sorted({*expected.parts, *found.parts} - {"outcome"}):
        mine, theirs = expected.parts.get(kind), found.parts.get(kind)
        if mine is None:
            sentence = "The stored answer has a result that its inputs do not give."
            findings.append(ReplayFinding(FindingKind.RESULT_UNEXPECTED, kind, None, kind, sentence))
        elif theirs is None and loose and kind.startswith("caution-"):
            sentence = f"This version gives a caution besides: {kind}."
            findings.append(ReplayFinding(FindingKind.WORDING, kind, kind, None, sentence))
        elif theirs is None:
            sentence = f"The result {kind} is missing from the stored answer."
            findings.append(ReplayFinding(FindingKind.RESULT_MISSING, kind, kind, None, sentence))
        elif _written(mine) != _written(theirs):
            one, other = _under_one_name(mine, expected), _under_one_name(theirs, found)
            # Named by code; where nothing but the order differs, by place.
            every = [*differences(by_code(one), by_code(other), kind)] or [*differences(one, other, kind)]
            differing += [each for each in every if not _told_elsewhere(each)]
    findings += _judged(differing, engine)
    told, not_checked = _remarks(expected, found, engine)
    return [*findings, *told], not_checked


def _written(part: Mapping[str, object]) -> bytes:
    """The part in one order of its members: equal bytes need no comparison element by element."""
    return msgspec.json.encode(part, order="deterministic")


def _under_one_name(part: Mapping[str, object], form: NormalForm) -> object:
    """The part, with every name that follows from the identity replaced by what it stands for."""
    names = {full_url_of(form.identity, kind): f"[{kind}]" for kind in (*form.parts, "outcome")}
    text = msgspec.json.encode(without_places(part)).decode().replace(form.identity, "[identity]")
    return msgspec.json.decode(_URN.sub(lambda urn: names.get(urn[0], urn[0]), text))


def _told_elsewhere(difference: Difference) -> bool:
    """A clinician's signature is told as what came afterwards, and the answer's own is checked by itself."""
    return difference.path.startswith(_SIGNATURES) or (
        difference.path.endswith(".status")
        and difference.expected == "preliminary"
        and isinstance(difference.found, str)
        and difference.found in SIGNED_STATUSES
    )


def _judged(every: Iterable[Difference], engine: str) -> list[ReplayFinding]:
    """The differences as findings; those that an earlier engine explains by listing less are told as one."""
    explained = [(one, explanation(one, engine)) for one in every]
    less = sum(why.listed_less for _, why in explained)
    told = [_finding(one, why) for one, why in explained if not why.listed_less]
    return [*told, listed_less(less, engine)] if less else told


def _finding(one: Difference, explained: Explanation) -> ReplayFinding:
    expected, found = _in_short(one.expected), _in_short(one.found)
    # A name that only the stored answer has is not repeated.
    place = one.path if expected is not None else one.path.partition(".")[0]
    told = f"stored is {_shown(found)}, the inputs give {_shown(expected)}"
    if isinstance(expected, str) and isinstance(found, str):
        told = "the stored text is another than the one that the inputs give"
    sentence = f"{place}: {told}{explained.why}."
    return ReplayFinding(explained.kind, one.path, expected, found, sentence)


def _in_short(value: object) -> object:
    """A page is told by its digest."""
    if isinstance(value, str) and len(value) > _LONG:
        return f"{len(value)} characters, SHA-256 {sha256(value.encode()).hexdigest()}"
    return value


def _shown(value: object) -> str:
    """Numbers as they are; anything else could name a person, and stands in the finding's values only."""
    if value is None:
        return "nothing"
    if isinstance(value, (bool, int, float)):
        return msgspec.json.encode(value).decode()
    return "a text" if isinstance(value, str) else "a structure"


def _remarks(expected: NormalForm, found: NormalForm, engine: str) -> tuple[list[ReplayFinding], int]:
    """Remarks that follow from the used inputs must be there as they are; others cannot be computed again."""
    if "outcome" not in found.parts:
        sentence = "The list of inputs that did not count is missing from the stored answer."
        return [ReplayFinding(FindingKind.RESULT_MISSING, "outcome", "outcome", None, sentence)], 0
    mine, theirs = _issue_lines(expected), Counter(_issue_lines(found))
    every = differences(_without_issues(expected), _without_issues(found), "outcome")
    findings = _judged(every, engine)
    # Each input that did not count is named with its place.
    left_out = '"expression"' in msgspec.json.encode(found.parts["outcome"]).decode()
    for line in mine:
        if theirs[line]:
            theirs[line] -= 1
        elif not (ALL_READ in line and left_out):
            sentence = "outcome.issue: the stored answer lacks a remark that its inputs give."
            kind = FindingKind.WORDING if engine in NOT_REPRODUCIBLE else FindingKind.VALUE
            findings.append(ReplayFinding(kind, "outcome.issue", line, None, sentence))
    return findings, theirs.total()


def _without_issues(form: NormalForm) -> Json:
    return {name: value for name, value in form.parts.get("outcome", {}).items() if name != "issue"}


def _issue_lines(form: NormalForm) -> list[str]:
    issues = form.parts.get("outcome", {}).get("issue", [])
    lines = []
    for issue in issues if isinstance(issues, list) else []:
        # Where in the request an input stood says nothing about it.
        told = {name: one for name, one in issue.items() if name != "expression"} if isinstance(issue, dict) else {}
        lines.append(msgspec.json.encode(without_places(told), order="deterministic").decode())
    return lines


def replay_files(
    answer: bytes,
    inputs: bytes | Inputs,
    *,
    keys: bytes | None,
    context: RequestContext,
    render: Render | None = None,
) -> ReplayReport:
    """Replay an answer from files.

    Args:
        inputs: Bundle with the inputs, or Parameters: the request, or with such a Bundle in it; or what was
            read from the record.
        keys: JSON Web Key Set; None where no signature is to be believed.
        context: the present instant, what the site has decided, and its codes; those that the answer lists come first.

    Raises:
        Rejected: a file cannot be read, or is not what it should be.
    """
    try:
        stored = read_stored(answer)
        given = read_inputs(inputs) if isinstance(inputs, bytes) else inputs
        verified = verified_by(stored, keys)
        outcome = replay(
            stored,
            given.resources,
            context,
            current=given.current,
            render=render,
            choices=given.choices,
        )
    except NotAnAnswer as error:
        raise not_an_answer(error) from error
    return ReplayReport(outcome, verified, replay_parameters(outcome, verified), with_keys=keys is not None)
