"""From the lines of many patients to rows: stored answers replayed, and every trial titrated as the service would.

A pure function of bytes. Nothing is computed a second way: replay, signature, titration and markers are the functions
that the service calls, and the hour before and after a trial belongs to it, as where the service reads from a record.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Any

import msgspec

from ebbmark.audit.comparison import AFTERWARDS
from ebbmark.audit.signature import verify_form
from ebbmark.audit.stored_answer import require_shape, stored_answer
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.problems import Ignored, ProblemKind, Reason, Rejected
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.times import seconds
from ebbmark.fhir.writing.normal_form import NormalForm, NotAnAnswer
from ebbmark.fhir.writing.transaction import embedded_in, unpacked
from ebbmark.physiology.after.markers import Meaning, read_markers
from ebbmark.physiology.after.trials import set_after, trials_of_record
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrial, Trial
from ebbmark.review.model import (
    Options,
    Prepared,
    StoredVersion,
    newest_of,
    prepared,
    pseudonym,
    unit_at,
    versions_of,
    when,
    without_ids,
)
from ebbmark.use_cases.from_record import BEFORE_AND_AFTER_S
from ebbmark.use_cases.replay import replay_answer
from ebbmark.use_cases.titrate import titrate_values
from ebbmark.use_cases.trial_and_patient import estimates_remembered, titration_of
from ebbmark.views.sheet import report_pdf

Json = Mapping[str, Any]
Row = dict[str, object]

HOUR_S, DAY_S = 3600.0, 86_400.0
CARRIED_S = 4 * HOUR_S
"""A charted set PEEP stands for so long, since it is charted by the hour or by the shift. This project's choice."""
MOST_TRIALS = 1000
"""Of one patient. This project's choice."""
MOST_CMH2O = 1000.0
"""What lies beyond it is no pressure."""
WITHIN_S = 300.0
"""A stored answer is of the trial that ended within so long of the answer's own time. This project's choice."""


@dataclass(slots=True)
class Rows:
    """Rows by table."""

    answers: list[Row] = field(default_factory=list)
    trials: list[Row] = field(default_factory=list)
    left_out: list[Row] = field(default_factory=list)
    listed: list[Row] = field(default_factory=list)

    def note(self, why: str, what: str) -> None:
        """List something that was not used."""
        self.listed.append({"file": "", "place": -1, "why": why, "what": what})


_BY_DATA = (ArithmeticError, LookupError, RecursionError, TypeError, ValueError, msgspec.DecodeError)
"""What a patient's data may do to a reader that did not foresee them: the others of the part are read none the less."""


def rows_of_part(lines: Iterable[bytes], shared: Iterable[bytes], options: Options) -> Rows:
    """Every row of the patients of one part.

    Args:
        lines: patient, tab, resource; in any order.
        shared: Devices and DeviceMetrics of all parts.
    """
    rows, made = Rows(), prepared(options)
    devices = versions_of(sorted(set(shared)), lambda _why, _what: None)
    for patient, of_patient in groupby(sorted(lines), key=lambda line: line.partition(b"\t")[0]):
        held = versions_of([line.partition(b"\t")[2] for line in of_patient], rows.note)
        try:
            with estimates_remembered():
                _review(patient.decode(), held, devices, made, rows)
        except _BY_DATA as error:
            rows.note(f"a patient who cannot be read ({type(error).__name__})", "Patient")
    return rows


def _review(patient: str, held: list[StoredVersion], devices: list[StoredVersion], made: Prepared, rows: Rows) -> None:
    stays = [one for one in held if one.read.resourceType == "Encounter"]
    own = [one for one in held if one.identity]
    inputs = [one for one in held if not one.identity and one.read.resourceType in _INPUTS]
    if any(_is_replaced(input_) for input_ in inputs):
        # What was charted under this id before the merger was read, and answered, under it.
        inputs = [_without_link(input_) if _is_replaced(input_) else input_ for input_ in inputs]
        rows.note("marked as replaced by another, reviewed under its own id", "Patient")
    newest = newest_of(inputs)
    name = pseudonym(patient, made.options)
    answered = list(_answers(name, own, inputs, newest, devices, stays, made, rows))
    rows.answers += [row for row, _ in answered]
    titrated = [at_s for row, at_s in answered if row["operation"] == TITRATE_PEEP.slug]
    rows.trials += _trials(name, newest, titrated, stays, made, rows)


def _is_replaced(one: StoredVersion) -> bool:
    return one.read.resourceType == "Patient" and b'"replaced-by"' in one.line


def _without_link(one: StoredVersion) -> StoredVersion:
    """The Patient as it was before the merger."""
    patient = msgspec.json.decode(one.line)
    patient.pop("link", None)
    return replace(one, line=msgspec.json.encode(patient))


_INPUTS = frozenset(
    {"Patient", "Observation", "Condition", "Procedure", "MedicationAdministration", "DiagnosticReport"}
)


def _answers(
    name: str,
    own: Sequence[StoredVersion],
    inputs: Sequence[StoredVersion],
    newest: Sequence[StoredVersion],
    devices: Sequence[StoredVersion],
    stays: Sequence[StoredVersion],
    made: Prepared,
    rows: Rows,
) -> Iterator[tuple[Row, float]]:
    """A row for each stored answer, and when the answer says that its trial ended."""
    by_identity: dict[str, list[StoredVersion]] = {}
    for one in own:
        by_identity.setdefault(one.identity, []).append(one)
    given: list[tuple[str, Json]] = []
    metrics = [device for device in devices if device.read.resourceType == "DeviceMetric"]
    for one in [*inputs, *metrics] if by_identity else ():
        resource = msgspec.json.decode(one.line)
        try:
            require_shape([("", resource)])
            given.append(("", resource))
        except NotAnAnswer:
            rows.note("not in the shape of FHIR, no answer replayed from it", one.read.resourceType)
    current = {
        f"{one.read.resourceType}/{one.read.id}": one.read.meta.versionId for one in newest if one.read.meta.versionId
    }
    for identity, parts in by_identity.items():
        whole = [msgspec.json.decode(one.line) for one in newest_of(parts)]
        stored: list[tuple[str, Json]] = [(url, dict(one)) for url, one in unpacked([("", one) for one in whole])]
        guidance: Json = next((one for _, one in stored if one.get("resourceType") == "GuidanceResponse"), {})
        at_s = at if isinstance(at := seconds(str(guidance.get("occurrenceDateTime", ""))), float) else 0.0
        beside = {token for one in whole for kind, token in embedded_in(one).beside if kind == "Device"}
        stored += [("", one) for one in _software_of(guidance, beside, devices)]
        row: Row = {
            "patient": name,
            **_stay(stays, at_s, name, made),
            "operation": str(guidance.get("moduleUri", "")).rpartition("/")[2],
            "answer": pseudonym(identity, made.options),
            **_replayed(stored, given, current, at_s, made),
        }
        del row["week"]
        yield row, at_s


def _software_of(guidance: Json, beside: Collection[str], devices: Sequence[StoredVersion]) -> list[Json]:
    """The Device that the answer names by reference, or by its identifier where parts of the answer are carried."""
    performer = guidance.get("performer")
    wanted = performer.get("reference") if isinstance(performer, Mapping) else None
    found = [
        device
        for device in devices
        if f"{device.read.resourceType}/{device.read.id}" == wanted
        or any(f"{named.system}|{named.value}" in beside for named in device.read.identifier)
    ]
    return [msgspec.json.decode(one.line) for one in found[-1:]]


def _replayed(
    stored: list[tuple[str, Json]],
    given: list[tuple[str, Json]],
    current: Mapping[str, str],
    at_s: float,
    made: Prepared,
) -> Row:
    device: Json = next((one for _, one in stored if one.get("resourceType") == "Device"), {})
    try:
        # Only the age of the trial follows from the instant, and no replay compares it.
        answer = stored_answer(stored)
        found = replay_answer(answer, given, replace(made.context, at_s=at_s + DAY_S), current=current, render=_page)
        # What was signed holds the Device; an export of patients alone brings none.
        signature = verify_form(answer.form, answer.resources, made.keys).verified.value if device else "device-missing"
    except NotAnAnswer:
        nothing: Row = {"outcome": "not-an-answer", "amended": False, "signature": "", "engine": ""}
        return {**nothing, "findings": "", "where_first": "", "computed": False, **_peeps(None, None)}
    kinds = Counter(finding.kind.value for finding in found.findings)
    wrong = [finding for finding in found.findings if finding.kind not in AFTERWARDS]
    return {
        "outcome": found.outcome.value,
        "amended": kinds.get("input-amended", 0) > 0,
        "signature": signature,
        "engine": str((device.get("version") or [{}])[0].get("value", "")),
        "findings": ", ".join(f"{kind} {count}" for kind, count in sorted(kinds.items())),
        "where_first": without_ids(wrong[0].path, made.options) if wrong else "",
        "computed": found.expected is not None,
        **_peeps(answer.form, found.expected),
    }


def _peeps(stored: NormalForm | None, expected: NormalForm | None) -> Row:
    """Suggested PEEP and closing pressure, as stored and as this version computes them from the same inputs."""
    return {
        "stored_suggested_cmh2o": _value_of(stored, "suggested-peep"),
        "suggested_cmh2o": _value_of(expected, "suggested-peep"),
        "stored_closing_cmh2o": _value_of(stored, "closing-pressure"),
        "closing_cmh2o": _value_of(expected, "closing-pressure"),
    }


def _value_of(form: NormalForm | None, kind: str) -> float | None:
    """The number of a result; None where it has none that a pressure can have."""
    quantity = form.parts.get(kind, {}).get("valueQuantity") if form is not None else None
    value = quantity.get("value") if isinstance(quantity, dict) else None
    return float(value) if isinstance(value, (int, float)) and abs(value) < MOST_CMH2O else None


def _page(answer: Answer, at_s: float) -> bytes:
    return report_pdf(answer, recorded_s=at_s)


def _trials(
    name: str,
    newest: Sequence[StoredVersion],
    answered: Sequence[float],
    stays: Sequence[StoredVersion],
    made: Prepared,
    rows: Rows,
) -> Iterator[Row]:
    """A row for each trial that the data hold, whether or not an answer was asked for."""
    observed = [(at_s, one) for one in newest if (at_s := one.at_s(made.context.code_map.zone)) is not None]
    if not observed:
        return
    try:
        latest_s = max(at_s for at_s, _ in observed)
        whole = read_request(BY_SLUG["compare-markers"], _bundle(newest), replace(made.context, at_s=latest_s + DAY_S))
    except Rejected as rejected:
        # Where no PEEP was charted there was no trial.
        for slug in dict.fromkeys(
            problem.kind.slug for problem in rejected.problems if problem.kind is not ProblemKind.MISSING
        ):
            rows.note(f"no trial was looked for: {slug}", "Patient")
        _count_left_out(rejected.ignored, _stay(stays, latest_s, name, made), rows, only=Reason.UNKNOWN_CODE.slug)
        return
    found, unread_before_s = trials_of_record(whole.readings, whole.protocol, most=MOST_TRIALS)
    if len(found) == MOST_TRIALS:
        rows.note(f"more trials than the latest {MOST_TRIALS}, which alone are reviewed", "Patient")
    elif unread_before_s is not None:
        rows.note("more changes of PEEP than are looked through for trials: the earliest were not", "Patient")
    if not found:
        _count_left_out(whole.ignored, _stay(stays, latest_s, name, made), rows, only=Reason.UNKNOWN_CODE.slug)
        return
    beside = [one for one in newest if one.read.resourceType != "Observation"]
    personal = [one for one in newest if one.read.resourceType == "Observation" and made.personal.search(one.line)]
    starts = [one.steps[0].start_s for one in found[1:]] + [float("inf")]
    for trial, next_s in zip(found, starts, strict=True):
        end_s = trial.steps[-1].end_s
        from_s, until_s = trial.steps[0].start_s - BEFORE_AND_AFTER_S, min(end_s + BEFORE_AND_AFTER_S, next_s - 1)
        near = [one for at_s, one in observed if from_s <= at_s <= until_s and one not in personal]
        of_trial: Row = {
            "patient": name,
            **_stay(stays, end_s, name, made),
            "steps": len(trial.steps),
            "kind": trial.kind.slug,
            "stored": any(abs(at_s - end_s) <= WITHIN_S for at_s in answered),
            **set_after_trial(whole.readings, trial),
        }
        try:
            body = _bundle([*beside, *personal, *near])
            request = read_request(TITRATE_PEEP, body, replace(made.context, at_s=until_s + 1))
            titrated, ignored = titrate_values(request)
        except Rejected as rejected:
            why = {"why": rejected.problems[0].kind.slug, "left_out": len(rejected.ignored)}
            yield {**of_trial, "outcome": "refused", "other_outcome": "refused", **why}
            _count_left_out(rejected.ignored, of_trial, rows)
            continue
        _count_left_out(ignored, of_trial, rows)
        yield {**of_trial, **_titrated(request, titrated, made), "left_out": len(ignored)}


def _stay(stays: Sequence[StoredVersion], at_s: float, name: str, made: Prepared) -> Row:
    return {"unit": unit_at(stays, at_s), **when(at_s, name, made.options)}


def _count_left_out(left: Iterable[Ignored], of_trial: Row, rows: Rows, *, only: str = "") -> None:
    for reason, count in sorted(Counter(one.code for one in left if only in ("", one.code)).items()):
        rows.left_out.append({"unit": of_trial["unit"], "month": of_trial["month"], "reason": reason, "inputs": count})


def _titrated(request: Request, found: Titration, made: Prepared) -> Row:
    other = _under(made.other, request, found) if made.other != request.protocol else found
    falls = {
        marker.slug: marker.peep_cmh2o
        for marker in read_markers(request.readings, found.trial, found.closing).markers
        if marker.meaning is Meaning.CLOSING and marker.peep_cmh2o is not None
    }
    by = next((slug for slug in _OXYGENATION if slug in falls), "")
    return {
        "outcome": _outcome(found),
        "why": found.advice.why.slug if found.advice.why is not None else "",
        "cautions": ", ".join(
            sorted({finding.slug for finding in found.findings if finding.weight.value in ("look-first", "high")})
        ),
        "closing_cmh2o": found.closing.peep_cmh2o,
        "suggested_cmh2o": found.advice.suggested_peep_cmh2o,
        "other_outcome": _outcome(other) if other is not None else "refused",
        "other_closing_cmh2o": other.closing.peep_cmh2o if other is not None else None,
        "other_suggested_cmh2o": other.advice.suggested_peep_cmh2o if other is not None else None,
        "oxygenation_cmh2o": falls.get(by),
        "oxygenation_by": by,
    }


_OXYGENATION = ("pao2-fall", "spo2-fall-2", "spo2-fall-1")
"""Markers of oxygenation in order of preference: a gas before a saturation."""


def _under(protocol: Protocol, request: Request, found: Titration) -> Titration | None:
    """The titration under another protocol; None where it reads no trial."""
    same_limb = replace(request.protocol, margin_cmh2o=protocol.margin_cmh2o, fall=protocol.fall) == protocol
    request = replace(request, protocol=protocol)
    trial = found.trial if same_limb else read_trial(request.readings, protocol)
    return None if isinstance(trial, NoTrial) else titration_of(trial, request, now=True)


def _outcome(found: Titration) -> str:
    if found.advice.suggested_peep_cmh2o is not None:
        return "suggested"
    return "withheld" if found.closing.peep_cmh2o is not None else found.closing.verdict.value


def set_after_trial(readings: Sequence[Reading], trial: Trial) -> Row:
    """What was set after the trial, whoever decided it; nothing of it is before the trial's end."""
    end_s = trial.steps[-1].end_s
    since_s = set_after(readings, trial)
    # A level that stood before the last step ended was not set after the trial.
    after_s = since_s if since_s is not None and since_s >= end_s else None
    charted = sorted((reading.start_s, reading.value) for reading in readings if reading.quantity is Quantity.PEEP_SET)

    def in_force(at_s: float) -> float | None:
        values = [value for start_s, value in charted if max(end_s, at_s - CARRIED_S) < start_s <= at_s]
        return values[-1] if values else None

    return {
        "set_after_min": round((after_s - end_s) / 60, 1) if after_s is not None else None,
        "peep_1h_cmh2o": in_force(end_s + HOUR_S),
        "peep_24h_cmh2o": in_force(end_s + DAY_S),
    }


def _bundle(held: Sequence[StoredVersion]) -> bytes:
    entries = b'},{"resource":'.join(one.line for one in held)
    return b'{"resourceType":"Bundle","type":"collection","entry":[{"resource":' + entries + b"}]}"
