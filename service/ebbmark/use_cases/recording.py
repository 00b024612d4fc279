"""Record an answer: sign it, write it to the record, and say what became of it; or show what would be written.

A door that records for a person names them (`enterer`); the FHIR operation, which a system calls, names nobody.

A report that joins an answer which is there already is a page of that answer: it shows the remarks that are stored with
it. Those of a later reading depend on what came into the record since, our own results among it, and no replay could
make such a page again.

The dry run says what recording an answer would do to the record, without writing.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import cast

from ebbmark.audit.signature import sign
from ebbmark.audit.stored_answer import with_stored_remarks
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.writing.entered import entered_transaction
from ebbmark.fhir.writing.normal_form import NormalForm, NotAnAnswer, normal_form, with_write_issue
from ebbmark.fhir.writing.provenance import person_who_enters
from ebbmark.fhir.writing.supersession import unmarked
from ebbmark.fhir.writing.transaction import as_transaction, with_embedded
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.keys import SigningKey
from ebbmark.record.answer_transaction import outgoing_answer
from ebbmark.record.client import RecordClient
from ebbmark.record.search import ReadFailure
from ebbmark.record.stored_answers import answer_in_record, where_recorded
from ebbmark.record.supersede import CONFLICTS, NO_LOCK, Progress, look, write_current
from ebbmark.record.trial_answers import GONE
from ebbmark.record.write_back import EntryResult, WriteOutcome, WriteState, write_back
from ebbmark.telemetry.measured import Measured, count
from ebbmark.views.sheet import report_pdf

Json = dict[str, object]


@dataclass(frozen=True, slots=True)
class Recorded:
    """What became of recording an answer.

    Attributes:
        answer: the answer as a Bundle of type collection, led by an issue that says what became of it.
        places: where in the record what was created, or found there, is: `Observation/1/_history/1` and the like.
    """

    answer: Json
    state: WriteState
    sentence: str
    places: tuple[str, ...]

    @property
    def there(self) -> bool:
        """Whether the answer stands in the record now."""
        return self.state in (WriteState.WRITTEN, WriteState.ALREADY_THERE)


async def record_answer(
    answer: Answer,
    *,
    at_s: float,
    record: RecordClient | None,
    signer: SigningKey | None = None,
    enterer: str | None = None,
    with_report: bool = False,
    make_current: bool = False,
    until_s: float | None = None,
) -> Recorded:
    """Write an answer to the record; whatever becomes of it, the caller has the answer.

    Args:
        signer: the key to sign with; None where answers are not signed.
        enterer: the person who chose to record it, as SMART's `fhirUser` names them; None where no person did.
        with_report: whether a report is to be written with it; it joins an answer that is there already.
        until_s: when the whole request must be answered, by the clock of the event loop [s]; None for no such limit.

    Raises:
        Rejected: there is no record, it does not know or use the patient, or the person is named in no way that FHIR
            knows. What goes wrong while writing never raises: the outcome says it.
    """
    person, patient = _whose(answer, record, enterer)
    now_s = asyncio.get_running_loop().time
    most_s = record.settings.write_timeout_s if record is not None else 0.0
    ends_s = min(now_s() + most_s, until_s if until_s is not None else math.inf)
    there = None
    if with_report and record is not None:
        with suppress(TimeoutError):
            async with asyncio.timeout_at(ends_s):
                there = await _there(answer.identity, record)
    bundle = await asyncio.to_thread(
        answer_bundle,
        answer,
        at_s=at_s,
        signer=signer,
        enterer=person,
        with_report=with_report,
        there=there,
    )
    transaction = as_transaction(bundle, patient)
    faults = await asyncio.to_thread(validate, transaction)
    if faults or record is None:
        sentence = f"Nothing was written: the answer broke {len(faults)} rules of FHIR. This is a fault of the service."
        return _outcome(bundle, WriteState.FAILED, "invariant", sentence)
    progress = Progress()
    writing = partial(_write, transaction, answer, record, progress, make_current=make_current)
    written = await _until(ends_s, writing, progress)
    places = tuple(entry.location for entry in (*written.created, *written.existing) if entry.location)
    refused = "conflict" if written.http_status in CONFLICTS else "processing"
    code = "incomplete" if written.state is WriteState.UNKNOWN else refused
    sentence = written.sentence
    if with_report and "DiagnosticReport" not in _types(with_embedded(transaction, record.settings.accepts)):
        sentence += " The report is not among them: the record takes no DiagnosticReport (EBBMARK_RECORD_WRITES)."
    return _outcome(bundle, written.state, code, sentence, places)


def _types(transaction: Json) -> set[object]:
    return {cast("Json", one["resource"])["resourceType"] for one in cast("list[Json]", transaction["entry"])}


async def record_entered(
    observations: Sequence[Json], *, record: RecordClient, until_s: float = math.inf
) -> WriteOutcome:
    """Write readings that a person typed by hand, all in one transaction, each once.

    Args:
        until_s: when the whole request must be answered, by the clock of the event loop [s].
    """
    progress = Progress(doubtful=True)
    return await _until(until_s, partial(write_back, entered_transaction(observations), record=record), progress)


async def _until(ends_s: float, write: Callable[[], Awaitable[WriteOutcome]], progress: Progress) -> WriteOutcome:
    """Write, or say what is known where that was not done by then, by the clock of the event loop [s]."""
    left_s = round(max(0.0, ends_s - asyncio.get_running_loop().time()), 1)
    if not left_s:
        return Progress().out_of_time(left_s)
    try:
        async with asyncio.timeout_at(ends_s):
            return await write()
    except TimeoutError:
        return progress.out_of_time(left_s)


async def _write(
    transaction: Json, answer: Answer, record: RecordClient, progress: Progress, *, make_current: bool
) -> WriteOutcome:
    """Send the transaction; a titration is written under the lock of its patient, and supersedes earlier ones.

    Answers to other questions are of their instant: they stand beside one another, and none takes another's place.
    """
    if answer.titrated is not None:
        return await write_current(transaction, record=record, make_current=make_current, progress=progress)
    sent = with_embedded(transaction, record.settings.accepts)
    if not sent["entry"]:
        sentence = (
            "Nothing was written: of this answer the record takes nothing that could carry the rest "
            f"(EBBMARK_RECORD_WRITES: {', '.join(sorted(record.settings.accepts.types))})."
        )
        return WriteOutcome(WriteState.FAILED, 0, sentence)
    # A record that ignores conditional create would hold the answer twice.
    place = None if answer.request.asked.with_report else await where_recorded(answer.identity, record=record)
    if place:
        sentence = "This answer is in the record already; nothing was added."
        return WriteOutcome(WriteState.ALREADY_THERE, 0, sentence, existing=(EntryResult(0, 200, place),))
    progress.doubtful = True
    return await write_back(sent, record=record)


def to_be_written(
    answer: Answer,
    *,
    at_s: float,
    record: RecordClient | None,
    signer: SigningKey | None = None,
    enterer: str | None = None,
    with_report: bool = False,
) -> Json:
    """The transaction that `record_answer` would send, entry by entry.

    An earlier answer for the same trial, of which only the record knows, would be marked superseded besides:
    `record.supersede` says which.

    Raises:
        Rejected: as `record_answer` does.
    """
    person, patient = _whose(answer, record, enterer)
    bundle = answer_bundle(answer, at_s=at_s, signer=signer, enterer=person, with_report=with_report)
    return as_transaction(bundle, patient)


def answer_bundle(
    answer: Answer,
    *,
    at_s: float,
    signer: SigningKey | None,
    enterer: str | None = None,
    with_report: bool = False,
    there: NormalForm | None = None,
) -> Json:
    """The answer as a Bundle of type collection, with its report and signatures where wanted.

    Args:
        enterer: the person who chose to record it, as `person_who_enters` gives it; None where no person did.
        there: the same answer as the record holds it already, whose remarks then stand; None where it holds none.
    """
    shown = with_stored_remarks(answer, there) if there is not None else answer
    pdf = report_pdf(shown, recorded_s=at_s) if with_report else None
    bundle = write_bundle(answer, recorded_s=at_s, enterer=enterer, report_pdf=pdf)
    if there is not None:
        bundle = _with_remarks_of(there, bundle)
    return sign(bundle, key=signer) if signer is not None else bundle


async def _there(identity: str, record: RecordClient) -> NormalForm | None:
    """The answer as the record holds it; None where it holds none, or where that cannot be read.

    Where it cannot be read although it is there, nothing is written: writing looks for it once more.
    """
    found = await answer_in_record(identity, record=record)
    if not isinstance(found, list):
        return None
    try:
        form = normal_form([(full_url, unmarked(resource)) for full_url, resource in found])
    except NotAnAnswer:
        return None
    return form if "outcome" in form.parts else None


def _with_remarks_of(there: NormalForm, bundle: Json) -> Json:
    entries = cast("list[Json]", bundle["entry"])
    remarks = dict(there.parts["outcome"])
    kept = [
        {**entry, "resource": remarks}
        if cast("Json", entry["resource"])["resourceType"] == "OperationOutcome"
        else entry
        for entry in entries
    ]
    return {**bundle, "entry": kept}


def _whose(answer: Answer, record: RecordClient | None, enterer: str | None) -> tuple[str | None, str]:
    """The person who records, and the patient in the record."""
    patient, subject = answer.request.subject, answer.request.person
    base_url = record.settings.base_url if record is not None else ""
    person = person_who_enters(enterer, base_url=base_url) if enterer is not None else None
    problems: list[Problem] = []

    def refuse(kind: ProblemKind, where: str, found: str, accepted: str, sentence: str) -> None:
        problems.append(Problem(kind, where, found, accepted, sentence))

    if record is None:
        accepted = "a service whose record_base_url is set"
        sentence = "write-back was asked for, but no record system is configured here. Ask again without write-back."
        where = "Parameters.parameter.where(name='write-back')"
        refuse(ProblemKind.NO_RECORD, where, "write-back true", accepted, sentence)
    if not patient.startswith("Patient/"):
        accepted = "a patient who is known to the record, as Patient/[id]"
        sentence = f"Results can be written only for {accepted}; the request names the patient in another way."
        refuse(ProblemKind.NO_RECORD, "", "a patient without an id of the record", accepted, sentence)
    if subject is not None and not subject.in_use:
        accepted = "a Patient that is in use, not marked inactive"
        sentence = (
            "Nothing is written for a Patient that is marked inactive; record the results for the one that is in use."
        )
        refuse(ProblemKind.NO_RECORD, "Patient", "a Patient that is not in use", accepted, sentence)
    if enterer is not None and person is None:
        accepted = "Practitioner/[id], PractitionerRole/[id], RelatedPerson/[id], Patient/[id] or an http address"
        sentence = f"Who records this must be named as {accepted}; the sign-in names the person in another way."
        refuse(ProblemKind.BAD_PARAMETER, "", "something else", accepted, sentence)
    if problems:
        raise Rejected(tuple(problems))
    return person, patient


def _outcome(bundle: Json, state: WriteState, code: str, sentence: str, places: tuple[str, ...] = ()) -> Recorded:
    count(Measured.WRITE_BACKS, state.value)
    done = state in (WriteState.WRITTEN, WriteState.ALREADY_THERE)
    severity, code = ("information", "informational") if done else ("error", code)
    answer = with_write_issue(bundle, severity=severity, code=code, sentence=sentence)
    return Recorded(answer, state, sentence, places)


@dataclass(frozen=True, slots=True)
class DryRun:
    """What recording would do.

    Attributes:
        stands: whether the answer stands in the record already, so that recording adds nothing but what is missing.
        written: whether recording would write it, or find it there; false where it would be refused.
        marked: references of results of earlier answers that would be marked superseded.
        beside: whether an answer for the same trial that a clinician has signed stays beside it.
        may_be_current_again: whether the record holds it marked superseded, and it may stand again if it is meant.
    """

    stands: bool
    written: bool
    marked: tuple[str, ...]
    beside: bool
    may_be_current_again: bool
    sentence: str


async def dry_run(transaction: Json, *, record: RecordClient) -> DryRun | ReadFailure:
    """Look at the record, and write nothing.

    Returns:
        What would be done; where the record could not be looked at, why: nothing would be written either then.
    """
    answer = outgoing_answer(transaction, record.settings.accepts)
    looked = await look(answer, NO_LOCK, record, anew=True)
    if isinstance(looked, ReadFailure):
        return looked
    own, others, standing = looked.own, looked.others, looked.standing
    stands, again = looked.own_stands, looked.may_be_current_again
    held_back = own is not None and not stands
    written = standing.newer is None and not held_back
    older = [one for one in others if one.identity in standing.older] if written or again else []
    marked = tuple(result.reference for one in older for result in one.results if result.status not in GONE)
    sentences = []
    if standing.newer is not None:
        sentences.append(f"A newer answer for the same trial ({standing.newer[:12]}…) stands in the record.")
    if held_back:
        sentences.append("The record holds this answer already, and it is not current there.")
    elif stands:
        sentences.append("This answer is in the record already.")
    if again:
        sentences.append("It may be made current again.")
    if marked:
        answers = "an earlier answer" if len(older) == 1 else f"{len(older)} earlier answers"
        sentences.append(f"{len(marked)} results of {answers} for the same trial would be marked superseded.")
    if standing.beside:
        sentences.append("An answer for the same trial that a clinician has signed would stay beside it.")
    return DryRun(stands, written, marked, bool(standing.beside), again, " ".join(sentences))
