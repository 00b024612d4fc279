"""Check what a record takes, by writing to one named test patient and removing it again (dry run).

Each type that this service writes is sent as a transaction of its own with one conditional create. Everything that is
written is marked `entered-in-error` where the type has that status and says what it is, so that what cannot be removed
misleads nobody. Then: is the same create found again (200) or doubled (201), is a stale `ifMatch` refused as a whole,
and does a search show what was written just before.

Sources: FHIR R4 http.html#transaction, #ccreate, #concurrency, #delete.
"""

from __future__ import annotations

from collections.abc import Collection
from urllib.parse import quote
from uuid import uuid4

import msgspec

from ebbmark.fhir.naming import WRITTEN_TYPES
from ebbmark.record.retry import CallFailure, Reply, decoded, named_by
from ebbmark.record.search import Head, Page
from ebbmark.record.write_back import EntryResult, Proof, attempt_of, entry_requests
from ebbmark.use_cases.check_record import Asking, Verdict

Json = dict[str, object]

_SYSTEM = "https://ebbmark.example/fhir/sid/check"
_TEXT = "A check of what this record takes; not a result. To be removed."
_HEADERS = {"Content-Type": "application/fhir+json; fhirVersion=4.0", "Prefer": "return=minimal"}
_WRITE, _CURRENT, _ONCE = "writing answers back", "one current answer for each trial", "writing each answer once"
_PLANS = "recording a plan"
_NEEDED_FOR = {"CarePlan": _PLANS, "RequestGroup": _PLANS, "DeviceRequest": _PLANS, "List": _CURRENT}


def _without(kind: str) -> str:
    """What works, and what does not, where a type is not taken."""
    if kind == "Observation":
        return "Nothing is written back; questions are answered all the same."
    if kind == "List":
        return "Answers are written; two for one trial may stand at once."
    carried = "another part of a plan" if _NEEDED_FOR.get(kind) == _PLANS else "a result that is taken"
    return f"It is carried inside {carried}."


def _resource(kind: str, patient: str, key: str, recorded: str) -> Json:
    subject = {"reference": patient}
    base: Json = {"resourceType": kind, "identifier": [{"system": _SYSTEM, "value": key}]}
    wrong: Json = {**base, "status": "entered-in-error"}
    text = {"text": _TEXT}
    shapes: dict[str, Json] = {
        "Device": {**wrong, "deviceName": [{"name": _TEXT, "type": "other"}]},
        "Observation": {**wrong, "code": text, "subject": subject},
        "GuidanceResponse": {
            **wrong,
            "moduleUri": "https://ebbmark.example/fhir/OperationDefinition/check",
            "subject": subject,
            "note": [text],
        },
        "DetectedIssue": {**wrong, "patient": subject, "detail": _TEXT},
        "DiagnosticReport": {**wrong, "code": text, "subject": subject},
        "Provenance": {
            "resourceType": kind,
            "meta": {"tag": [{"system": _SYSTEM, "code": key}]},
            "target": [subject],
            "recorded": recorded,
            "agent": [{"who": {"display": _TEXT}}],
        },
        "List": {**wrong, "mode": "working", "title": _TEXT, "subject": subject},
        "CarePlan": {**wrong, "intent": "proposal", "description": _TEXT, "subject": subject},
        "RequestGroup": {**wrong, "intent": "proposal", "note": [text], "subject": subject},
        "DeviceRequest": {**wrong, "intent": "proposal", "codeCodeableConcept": text, "subject": subject},
    }
    return shapes[kind]


def _create(kind: str, patient: str, key: str, recorded: str) -> Json:
    name = "_tag" if kind == "Provenance" else "identifier"
    condition = f"{name}={quote(_SYSTEM, safe=':/')}|{key}"
    return {
        "fullUrl": f"urn:uuid:{uuid4()}",
        "resource": _resource(kind, patient, key, recorded),
        "request": {"method": "POST", "url": kind, "ifNoneExist": condition},
    }


async def check_writing(asking: Asking, patient: str, *, recorded: str, key: str, writes: Collection[str] = ()) -> None:
    """Write to a test patient, look, and remove.

    Args:
        patient: `Patient/1`, a test patient of the record.
        recorded: the present instant, as FHIR writes it.
        writes: resource types that the settings name already; they are not proposed again.
    """
    report = asking.report
    answer = await asking.send("GET", patient)
    found = decoded(answer, Head) if isinstance(answer, Reply) and answer.status == 200 else None
    if found is None or f"{found.resource_type}/{found.id}" != patient:
        told = f"HTTP {answer.status}" if isinstance(answer, Reply) else answer.words
        report.add(
            "Test patient",
            Verdict.FAILS,
            f"{patient} could not be read ({told}): nothing was written, and what the record takes is not known.",
        )
        return
    places: dict[str, str] = {}
    taken: list[str] = []
    try:
        for kind in WRITTEN_TYPES:
            sent = await _sent(asking, [_create(kind, patient, f"{key}-{kind}", recorded)])
            if isinstance(sent, str):
                # Without an Observation nothing can carry what is not taken.
                verdict = Verdict.FAILS if kind == "Observation" else Verdict.LIMITED
                report.add("Create", verdict, f"{kind}: {sent}. {_without(kind)}", _NEEDED_FOR.get(kind, _WRITE))
                continue
            taken.append(kind)
            places[kind] = _plain(sent[0].location)
            report.left_behind.append(places[kind] or f"{kind} (identifier {key}-{kind})")
        if taken:
            report.add("Create", Verdict.WORKS, f"Taken: {', '.join(taken)}.", _WRITE if "Observation" in taken else "")
        if not any(_NEEDED_FOR.get(kind) == _PLANS for kind in taken):
            told = "No part of a plan is taken, so that none is recorded; plans are made and shown all the same."
            report.add("Plans", Verdict.FAILS, told, _PLANS)
        else:
            report.add("Plans", Verdict.WORKS, "A plan is recorded, as far as its parts are taken.", _PLANS)
        if "Observation" in taken and len(taken) < len(WRITTEN_TYPES):
            told = "What the record does not take as resources is carried inside the first result of an answer."
            there = frozenset(taken) == frozenset(writes)
            proposed = [] if there else [("EBBMARK_RECORD_WRITES", msgspec.json.encode(taken).decode())]
            report.add("Carried", Verdict.LIMITED, told, _WRITE, proposed)
        if "Observation" in taken:
            await _judge_repeat(asking, patient, key, recorded)
            await _judge_size(asking, patient, key, recorded)
        if "List" in taken:
            await _judge_versions(asking, patient, key, recorded, places["List"])
    finally:
        await _removed(asking)


async def _sent(asking: Asking, entries: list[Json]) -> tuple[EntryResult, ...] | str:
    """What became of each entry, or why nothing was written, as a clause."""
    body = msgspec.json.encode({"resourceType": "Bundle", "type": "transaction", "entry": entries})
    answer = await asking.send("POST", "", body, _HEADERS)
    attempt = attempt_of(answer, entry_requests(body))
    if attempt.proof is Proof.ENTRIES and all(200 <= entry.status < 300 for entry in attempt.entries):
        return attempt.entries
    if isinstance(answer, CallFailure):
        return answer.words
    if attempt.proof is Proof.ENTRIES:
        return f"the record answered {', '.join(str(entry.status) for entry in attempt.entries)} within a transaction"
    kinds = [str(entry["request"]["url"]) for entry in entries if isinstance(entry["request"], dict)]
    return f"HTTP {answer.status}{named_by(answer, [*kinds, 'ifNoneExist', 'ifMatch', 'identifier', '_tag'])}"


async def _judge_repeat(asking: Asking, patient: str, key: str, recorded: str) -> None:
    again = await _sent(asking, [_create("Observation", patient, f"{key}-Observation", recorded)])
    if isinstance(again, str):
        asking.report.add(
            "Once",
            Verdict.FAILS,
            f"The same create sent again: {again}. A repeat after a lost reply ends as not known.",
            _ONCE,
        )
        return
    honoured = again[0].status == 200
    if not honoured:
        asking.report.left_behind.append(_plain(again[0].location))
    asking.report.add(
        "Once",
        Verdict.WORKS if honoured else Verdict.LIMITED,
        "The same create sent again was found and not doubled (conditional create)."
        if honoured
        else "The record ignores ifNoneExist: the same create sent again was doubled. What was read beforehand keeps "
        "an answer from being written twice, but not two requests at the same moment, nor a repeat after a lost reply.",
        _ONCE,
    )
    searched = f"Observation?identifier={quote(_SYSTEM, safe='')}%7C{key}-Observation"
    search = await asking.send("GET", searched, headers={"Cache-Control": "no-cache"})
    page = decoded(search, Page) if isinstance(search, Reply) and search.status == 200 else None
    shown = page is not None and any(entry.resource for entry in page.entry)
    asking.report.add(
        "At once",
        Verdict.WORKS if shown else Verdict.LIMITED,
        "A search shows what was written just before."
        if shown
        else "A search does not show yet what was written just before: writes wait for it and may end as not known.",
        _CURRENT,
    )


ENTRIES_OF_AN_ANSWER = 32
"""Conditional creates in one transaction of a titration: 30 for a trial of ten steps with three cautions, and some."""


async def _judge_size(asking: Asking, patient: str, key: str, recorded: str) -> None:
    """Some records bound how many conditional creates one transaction may have."""
    size, why = ENTRIES_OF_AN_ANSWER, ""
    while size > 1:
        sent = await _sent(
            asking, [_create("Observation", patient, f"{key}-{size}-{n}", recorded) for n in range(size)]
        )
        if not isinstance(sent, str):
            asking.report.left_behind += [_plain(one.location) for one in sent]
            break
        why = why or sent
        size //= 2
    asking.report.add(
        "Size",
        Verdict.WORKS if not why else Verdict.LIMITED if size > 1 else Verdict.FAILS,
        f"A transaction of {ENTRIES_OF_AN_ANSWER} conditional creates, as many as an answer has, is refused ({why}); "
        f"one of {size} is taken. What is beyond is carried inside the first result, or the record raises its limit."
        if why
        else f"A transaction of {size} conditional creates, as many as an answer has, is taken.",
        _WRITE,
        # A transaction that supersedes changes as many results as it creates, and the List.
        [("EBBMARK_RECORD_MOST_CREATES", str(max(1, (size - 1) // 2)))] if why and size > 1 else [],
    )


async def _judge_versions(asking: Asking, patient: str, key: str, recorded: str, place: str) -> None:
    """A change under a stale version must fail, and take the rest of its transaction with it."""
    resource = {**_resource("List", patient, f"{key}-List", recorded), "id": place.partition("/")[2]}
    beside = _create("Observation", patient, f"{key}-beside", recorded)
    stale: Json = {
        "fullUrl": f"{asking.record.settings.base_url.rstrip('/')}/{place}",
        "resource": resource,
        "request": {"method": "PUT", "url": place, "ifMatch": 'W/"ebbmark-no-such-version"'},
    }
    body = msgspec.json.encode({"resourceType": "Bundle", "type": "transaction", "entry": [beside, stale]})
    entries = attempt_of(await asking.send("POST", "", body, _HEADERS), entry_requests(body)).entries
    written = [200 <= entry.status < 300 for entry in entries]
    if written and written[0]:
        asking.report.left_behind.append(_plain(entries[0].location))
    both = (
        "of two answers for one trial that are written at the same moment both may stand until the next one is written."
    )
    if written == [True, False]:
        told = "The record refused one entry of a transaction and wrote the other, which FHIR does not allow (a batch)"
        asking.report.add("Whole", Verdict.LIMITED, f"{told}: an answer may be written in part.", _WRITE)
        asking.report.add("Versions", Verdict.LIMITED, f"A stale ifMatch stops its own entry only: {both}", _CURRENT)
    elif any(written):
        told = f"The record ignores ifMatch in transactions: {both}"
        asking.report.add("Versions", Verdict.LIMITED, told, _CURRENT)
    else:
        told = "A change under a version that is not in force is refused, with its whole transaction (ifMatch)."
        asking.report.add("Versions", Verdict.WORKS, told, _CURRENT)


async def _removed(asking: Asking) -> None:
    """Delete what was written, newest first; what stays is told."""
    kept = []
    for reference in reversed(asking.report.left_behind):
        answer = await asking.send("DELETE", reference) if "/" in reference else None
        gone = isinstance(answer, Reply) and (200 <= answer.status < 300 or answer.status in (404, 410))
        kept += [] if gone else [reference]
    written = len(asking.report.left_behind)
    asking.report.left_behind[:] = reversed(kept)
    if written:
        asking.report.add(
            "Removal",
            Verdict.LIMITED if kept else Verdict.WORKS,
            f"{written - len(kept)} of the {written} resources that this check wrote were deleted again.",
        )


def _plain(location: str | None) -> str:
    """`Type/id` of a location, which may be absolute and name a version."""
    parts = (location or "").partition("/_history/")[0].rstrip("/").rsplit("/", 2)
    return "/".join(parts[-2:]) if len(parts) > 1 else ""
