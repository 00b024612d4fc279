"""The query of one request to the record: which patient, encounter and period are to be read.

The three parameters of `FROM_RECORD` are taken out here and replaced by a bundle; every other parameter goes on to the
reader as it came, byte for byte.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import msgspec

from ebbmark.fhir.model import Period
from ebbmark.fhir.operations import FROM_RECORD
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.decode import require_each_key_once
from ebbmark.fhir.times import instant, seconds

WINDOW_S = 24 * 3600.0
"""How far back the record is read where the request names no period [s]; our choice: a trial takes minutes to hours,
and yesterday's is not the present state of the lung."""

_NAMES = frozenset(row.name for row in FROM_RECORD)
_BROUGHT = frozenset({"bundle", "patient"})
# FHIR R4 datatypes.html#id.
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_QUICK = b"patient-reference"


@dataclass(frozen=True, slots=True)
class RecordQuery:
    """What is to be read from the record.

    Attributes:
        patient: `Patient/123`.
        encounter: `Encounter/9`; None for any.
        start_s: beginning of the time in which the trial is looked for [s since 1970-01-01T00:00:00Z].
        end_s: its end [s since 1970-01-01T00:00:00Z].
        period_given: whether the caller chose the time.
        rest: all other parameters, as they came.
    """

    patient: str
    encounter: str | None
    start_s: float
    end_s: float
    period_given: bool
    rest: tuple[msgspec.Raw, ...]


class _Reference(msgspec.Struct):
    reference: str = ""


class _Parameter(msgspec.Struct):
    name: str = ""
    valueReference: _Reference | None = None
    valueId: str = ""
    valuePeriod: Period | None = None
    valueInstant: str = ""
    valueDateTime: str = ""


class _Parameters(msgspec.Struct, tag_field="resourceType", tag="Parameters"):
    parameter: list[msgspec.Raw] = []


class _Named(msgspec.Struct, omit_defaults=True):
    name: str
    resource: msgspec.Raw


def record_query_of(body: bytes, *, base_url: str, at_s: float) -> RecordQuery | None:
    """Take the question for the record out of a request.

    Args:
        base_url: FHIR base address of the record, for references that carry it.

    Returns:
        What is asked; None where the request does not name a patient of the record, or cannot be read: the reader then
        says what is wrong with it.

    Raises:
        Rejected: with every problem of these parameters.
    """
    if _QUICK not in body:
        return None
    require_each_key_once(body)
    try:
        raws = msgspec.json.decode(body, type=_Parameters).parameter
        parameters = [msgspec.json.decode(raw, type=_Parameter) for raw in raws]
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    named: dict[str, tuple[_Parameter, str]] = {}
    problems: list[Problem] = []
    for number, one in enumerate(parameters):
        path = f"Parameters.parameter[{number}]"
        if one.name in _NAMES and one.name in named:
            sentence = f"The parameter {one.name} may be given once."
            problems.append(Problem(ProblemKind.REPEATED_PARAMETER, path, one.name, "once", sentence))
        named.setdefault(one.name, (one, path))
    if "patient-reference" not in named:
        return None
    for name in sorted(_BROUGHT & named.keys()):
        accepted = "either patient-reference or the data themselves"
        sentence = f"The parameters patient-reference and {name} were both sent; send {accepted}."
        problems.append(Problem(ProblemKind.BAD_PARAMETER, named[name][1], name, accepted, sentence))
    patient = _local(named["patient-reference"], "Patient", base_url, problems)
    encounter = _local(named["encounter"], "Encounter", base_url, problems) if "encounter" in named else None
    start_s, end_s = _period(named, _as_of(named, at_s), problems)
    if problems:
        raise Rejected(tuple(problems))
    rest = tuple(raw for raw, one in zip(raws, parameters, strict=True) if one.name not in _NAMES)
    return RecordQuery(patient, encounter, start_s, end_s, "period" in named, rest)


def named_in_record(
    patient_reference: str,
    *,
    encounter: str | None,
    period: tuple[float, float] | None,
    parameters: Sequence[Mapping[str, object]] = (),
) -> bytes:
    """The request that names a patient of the record, as a caller would send it.

    Args:
        patient_reference: `Patient/1`, or the same below the record's base address.
        encounter: `Encounter/9`; None for any.
        period: first and last moment [s since 1970-01-01T00:00:00Z]; None for the question's own.
        parameters: further parameters, as JSON objects.
    """
    named: list[Mapping[str, object]] = [
        {"name": "patient-reference", "valueReference": {"reference": patient_reference}}
    ]
    if encounter is not None:
        named.append({"name": "encounter", "valueReference": {"reference": encounter}})
    if period is not None:
        start, end = map(instant, period)
        named.append({"name": "period", "valuePeriod": {"start": start, "end": end}})
    return msgspec.json.encode({"resourceType": "Parameters", "parameter": [*named, *parameters]})


def about_patient(body: bytes, patient_reference: str) -> bytes:
    """A request at the address of one patient, as the same request that names the patient in its body.

    Args:
        body: FHIR R4 Parameters without a patient, or nothing.
        patient_reference: `Patient/1`, from the address.

    Raises:
        Rejected: it is something else, or names or brings a patient itself.
    """
    accepted = "Parameters that name no patient, or an empty body"
    require_each_key_once(body)
    try:
        raws = msgspec.json.decode(body, type=_Parameters).parameter if body.strip() else []
        names = {msgspec.json.decode(raw, type=_Parameter).name for raw in raws}
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        sentence = f"At the address of a patient the body must be {accepted}."
        raise Rejected((Problem(ProblemKind.BAD_PARAMETER, "", "another body", accepted, sentence),)) from None
    twice = sorted(names & {"patient-reference", *_BROUGHT})
    if twice:
        sentence = f"The address names the patient already, and the parameter {twice[0]} was sent; send {accepted}."
        raise Rejected((Problem(ProblemKind.BAD_PARAMETER, "Parameters.parameter", twice[0], accepted, sentence),))
    named = msgspec.json.encode({"name": "patient-reference", "valueReference": {"reference": patient_reference}})
    return msgspec.json.encode(_Parameters([msgspec.Raw(named), *raws]))


def with_bundle(asked: RecordQuery, bundle: bytes) -> bytes:
    """The request as the reader takes it: the data instead of the references."""
    parameters = [msgspec.Raw(msgspec.json.encode(_Named("bundle", msgspec.Raw(bundle)))), *asked.rest]
    return msgspec.json.encode(_Parameters(parameters))


def _local(given: tuple[_Parameter, str], kind: str, base_url: str, problems: list[Problem]) -> str:
    """`Type/id` of a resource of this record, or a problem."""
    parameter, path = given
    reference = parameter.valueReference.reference if parameter.valueReference else ""
    base = base_url.rstrip("/") + "/"
    reference = reference.removeprefix(base)
    identity = parameter.valueId or reference.removeprefix(f"{kind}/")
    if _ID.fullmatch(identity) and (parameter.valueId or reference == f"{kind}/{identity}"):
        return f"{kind}/{identity}"
    accepted = f"valueReference: {kind}/[id] of the configured record"
    sentence = f"The parameter {parameter.name} needs {accepted}."
    elsewhere = ":" in reference
    found = "a reference to another place" if elsewhere else "something else"
    problems.append(Problem(ProblemKind.BAD_PARAMETER, path, found, accepted, sentence))
    return ""


def _as_of(named: dict[str, tuple[_Parameter, str]], at_s: float) -> float:
    """The instant that counts as now; the reader refuses one that is not usable."""
    if "as-of" not in named:
        return at_s
    given = named["as-of"][0]
    found = seconds(given.valueInstant or given.valueDateTime)
    return found if isinstance(found, float) and found <= at_s else at_s


def _period(named: dict[str, tuple[_Parameter, str]], now_s: float, problems: list[Problem]) -> tuple[float, float]:
    if "period" not in named:
        return now_s - WINDOW_S, now_s
    parameter, path = named["period"]
    period = parameter.valuePeriod or Period()
    start_s = seconds(period.start)
    end_s = seconds(period.end) if period.end else now_s
    if isinstance(start_s, float) and isinstance(end_s, float) and start_s <= end_s:
        return start_s, end_s
    accepted = "valuePeriod: a start with zone, and an end that does not lie before it"
    sentence = f"The parameter period needs {accepted}."
    problems.append(Problem(ProblemKind.BAD_PARAMETER, path, "something else", accepted, sentence))
    return now_s, now_s
