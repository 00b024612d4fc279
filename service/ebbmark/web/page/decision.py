"""The two human acts on an answer: record it after a review, or note why not now.

The review shows what recording would write and mark superseded: in brief, and resource by resource.
"""

from __future__ import annotations

import asyncio
import logging
import re
from collections import Counter
from collections.abc import Mapping
from typing import Any, Final, cast

import msgspec
from fastapi import Request, Response

from ebbmark import __version__
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.record.search import ReadFailure
from ebbmark.record.write_back import WriteState
from ebbmark.use_cases.recording import DryRun
from ebbmark.web.audit_trail import LOGGER, log_event
from ebbmark.web.page.frame import Pages, form_of, frame_in_use, frame_of
from ebbmark.web.page.source import Choice, TrialSource, chosen_note, reason_of, titrated
from ebbmark.web.theme import PageRefused
from ebbmark.words.messages import say

EVENTS: Final = f"{LOGGER}.choices"
_LOG = logging.getLogger(EVENTS)


def _emit(event: str, **values: object) -> None:
    """Emit an event: what was decided about an answer, and why, without the patient."""
    log_event(_LOG, msgspec.json.encode({"event": event, **values, "software": __version__}))


def _protocol(answer: Answer) -> str:
    return f"{answer.request.protocol.slug}|{answer.request.protocol.version}"


CHOSEN: Final = "true"
_ASKED_FOR: Final = " (make-current)"
"""How the outcome says that results which were marked superseded can stand again; the page has a form for it."""

_TITLES: Final = {
    WriteState.WRITTEN: ("page.recorded", 200),
    WriteState.ALREADY_THERE: ("page.already-recorded", 200),
    WriteState.SUPERSEDED: ("page.not-recorded-superseded", 409),
    WriteState.NOT_CURRENT: ("page.not-recorded-not-current", 409),
    WriteState.FAILED: ("page.not-recorded-failed", 502),
    WriteState.UNKNOWN: ("page.not-known-whether-recorded", 502),
}


async def review_results(source: TrialSource, pages: Pages, choice: Choice) -> Response:
    """What would be written and marked, in brief and resource by resource, and the form that writes it."""
    frame = await frame_in_use(source, pages)
    answer, choice = await titrated(source, choice)
    transaction = await asyncio.to_thread(source.to_be_written, answer, choice)
    return pages.page(
        "review.html",
        frame,
        line=chosen_note(answer) or answer.short.line,
        view=review_context(transaction),
        earlier=earlier_context(await source.dry_run(transaction)),
        choice=choice,
        cannot_write=source.cannot_write(choice),
        identity=answer.identity,
        csrf=source.csrf,
    )


async def record_results(request: Request, source: TrialSource, pages: Pages) -> Response:
    """Write what was shown, if it is still the answer."""
    form = await form_of(request, source)
    choice = Choice(
        form.one("with-report") == CHOSEN, form.one("make-current") == CHOSEN, form.one("peep"), form.one("because")
    )
    refusal = source.cannot_write(choice)
    if refusal:
        raise PageRefused(403, say("page-refused.not-recorded"), refusal)
    frame = await frame_in_use(source, pages)
    answer, choice = await titrated(source, choice)
    if form.one("identity") != answer.identity:
        todo = (say("page.go-back-answer"),)
        raise PageRefused(409, say("page-refused.answer-changed"), say("page.answer-changed"), todo=todo)
    outcome = await source.record(answer, choice)
    title, status = _TITLES[outcome.state] if outcome is not None else ("page.nothing-written", 200)
    if outcome is not None and outcome.there and choice.peep:
        _emit(
            "other-peep-recorded",
            reason=choice.because,
            peep_cmh2o=answer.request.asked.chosen_peep_cmh2o,
            suggested_cmh2o=answer.titration.advice.suggested_peep_cmh2o,
            protocol=_protocol(answer),
        )
    sentence = outcome.sentence if outcome is not None else say("page.demo-there-no-record")
    return pages.page(
        "recorded.html",
        frame,
        status=status,
        title=say(title),
        sentence=sentence.replace(_ASKED_FOR, ""),
        places=outcome.places if outcome is not None else (),
        can_stand_again=_ASKED_FOR in sentence,
        choice=choice,
        csrf=source.csrf,
        identity=answer.identity,
    )


async def note_reason(request: Request, source: TrialSource, pages: Pages) -> Response:
    """Note why results are not recorded now."""
    form = await form_of(request, source)
    reason = reason_of(form.one("reason"))
    if reason is None:
        sentence = say("page.no-reason-list")
        raise PageRefused(422, say("page-refused.no-reason"), sentence, todo=(say("page-refused.choose-reason"),))
    frame = await frame_of(source, pages.zone)
    answer = await source.asked(TITRATE_PEEP.slug)
    _emit(
        "not-recorded",
        reason=reason.code,
        protocol=_protocol(answer),
        verdict=answer.titration.closing.verdict.value,
        suggested=answer.titration.advice.suggested_peep_cmh2o is not None,
    )
    return pages.page("noted.html", frame, reason=reason.words)


Json = Mapping[str, Any]


def value_words(value: object, names: Mapping[str, str]) -> str:
    """One value as people read it; whatever has no form of its own is spelled out element by element.

    Args:
        value: of a FHIR element, as JSON has it.
        names: what is at the other end of a reference.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return "; ".join(value_words(one, names) for one in value)
    if not isinstance(value, dict):
        return f"{value}"
    if "reference" in value:
        reference = str(value["reference"])
        return names.get(reference) or (say("page.how-input-read") if reference == "#outcome" else reference)
    if "value" in value and "unit" in value:
        return f"{value['value']} {value['unit']}" if value["unit"] != "1" else f"{value['value']}"
    if "value" in value and "system" in value:
        return f"{value['value']} ({value['system']})"
    if "contentType" in value and "data" in value:
        return say("page.kb", contenttype=value["contentType"], count=3 * len(str(value["data"])) // 4000)
    for text in ("text", "display"):
        if isinstance(value.get(text), str):
            return str(value[text])
    if "coding" in value:
        return value_words(value["coding"], names)
    if "start" in value and "end" in value:
        return say("page.to", start=value["start"], end=value["end"])
    return ", ".join(f"{element_words(name)} {value_words(one, names)}" for name, one in value.items())


def element_words(element: str) -> str:
    """`effectiveDateTime` as `effective date time`; the type of a value[x] is left out."""
    if element.startswith("value") and element != "value":
        return "value"
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", element).lower()


def earlier_context(seen: DryRun | ReadFailure | None) -> dict[str, object]:
    """What a dry run saw of earlier answers, for the template: a sentence, and what would be marked superseded.

    Args:
        seen: what recording would do; why that is not known; None where there is no record.
    """
    if seen is None:
        return {"sentence": say("page.demo-nothing-changed"), "marked": ()}
    if isinstance(seen, ReadFailure):
        return {"sentence": say("page.not-known-recording", sentence=seen.sentence), "marked": ()}
    if not seen.written:
        return {"sentence": say("page.recording-would-refused", sentence=seen.sentence), "marked": ()}
    changed = "" if seen.marked else say("page.nothing-record-would")
    sentence = f"{seen.sentence}{changed}" if seen.sentence else say("page.no-other-answer")
    return {"sentence": sentence, "marked": seen.marked}


_ABOUT = {
    "GuidanceResponse": "page.about-guidance",
    "Observation": "page.about-result",
    "DetectedIssue": "page.about-caution",
    "DiagnosticReport": "page.about-report",
    "Device": "page.about-device",
    "Provenance": "page.about-provenance",
}
"""What each type of resource is for."""

_NOT_SHOWN = frozenset({"resourceType", "id", "code", "contained"})
"""In the heading, or shown in another way; the JSON shows them all."""

_IN_BRIEF = {
    "peep-what-if": {
        "margin": "margin",
        "what-if-peep": "PEEP",
        "expected-driving-pressure": "expected driving pressure",
        "expected-plateau-pressure": "expected plateau",
    },
    "peep-trial-step": {"20077-4": "PEEP", "60828-1": "static compliance", "60827-3": "dynamic compliance"},
    "compliance-curve": {"compliance-kind": "", "peep-source": "against"},
}
"""Components that stand for a result without a value of its own, by its code; in short words: all fill one cell."""

_NO_VALUE = frozenset({"GuidanceResponse", "Device", "Provenance"})
"""Types about how an answer came to be; what they hold is no finding about the patient."""


def review_context(transaction: Json) -> dict[str, object]:
    """Put a transaction in tables.

    Args:
        transaction: FHIR R4 Bundle of type transaction.
    """
    entries = transaction["entry"]
    names = {str(entry["fullUrl"]): _title(entry["resource"]) for entry in entries if "fullUrl" in entry}
    resources: list[Json] = [entry["resource"] for entry in entries]
    counts = Counter(str(resource["resourceType"]) for resource in resources)
    return {
        "counts": ", ".join(f"{count} {kind}{'s' if count > 1 else ''}" for kind, count in counts.items()),
        "findings": tuple(_finding(resource) for resource in resources if resource["resourceType"] not in _NO_VALUE),
        "resources": tuple(_resource(entry, names) for entry in entries),
    }


def _finding(resource: Json) -> tuple[str, str, str]:
    return value_words(resource["code"], {}), _value(resource), str(resource["status"])


def _value(resource: Json) -> str:
    """The value; without one what stands for it: the main components, why there is none, or the text of a caution."""
    if "valueQuantity" in resource:
        return value_words(resource["valueQuantity"], {})
    if "detail" in resource:
        severity = (
            say("page.severity", capitalize=str(resource["severity"]).capitalize()) if "severity" in resource else ""
        )
        return f"{severity}{resource['detail']}"
    if "presentedForm" in resource:
        return value_words(resource["presentedForm"], {})
    if "dataAbsentReason" in resource:
        return say("page.no-value", said=value_words(resource["dataAbsentReason"], {}))
    return ", ".join(_brief(resource))


def _brief(resource: Json) -> list[str]:
    words = _IN_BRIEF.get(str(resource["code"]["coding"][0]["code"]), {}) if "coding" in resource["code"] else {}
    return [
        f"{words[code]} {_within_a_sentence(part)}".strip()
        for part in resource.get("component", ())
        if (code := str(part["code"]["coding"][0]["code"])) in words
    ]


def _within_a_sentence(part: Json) -> str:
    """The value of a component; what a code stands for begins as a sentence does, and stands within one here."""
    value = _component(part, {})[1]
    return value[:1].lower() + value[1:] if "valueCodeableConcept" in part else value


def _resource(entry: Json, names: Mapping[str, str]) -> dict[str, object]:
    resource, request = entry["resource"], entry["request"]
    rows = [row for name, value in resource.items() if name not in _NOT_SHOWN for row in _rows(name, value, names)]
    for contained in resource.get("contained", ()):
        rows += [(say("page.how-input-read-cell"), str(one["details"]["text"])) for one in contained.get("issue", ())]
    rows.append((say("page.sent"), f"{request['method']} {request['url']}"))
    if "ifNoneExist" in request:
        rows.append((say("page.not-written-where"), str(request["ifNoneExist"])))
    return {
        "title": _title(resource),
        "about": say(about) if (about := _ABOUT.get(str(resource["resourceType"]))) else "",
        "rows": tuple(rows),
        "json": msgspec.json.format(msgspec.json.encode(resource), indent=2).decode(),
    }


def _title(resource: Json) -> str:
    if "code" not in resource:
        return str(resource["resourceType"])
    parts = [value_words(resource["code"], {})]
    if "valueQuantity" in resource:
        parts.append(value_words(resource["valueQuantity"], {}))
    elif resource["resourceType"] == "Observation":
        # Several have the same code: the first component tells them apart.
        parts += _brief(resource)[:1]
    return f"{resource['resourceType']}: {', '.join(parts)}"


def _rows(name: str, value: object, names: Mapping[str, str]) -> list[tuple[str, str]]:
    """One row, or one per component, note or entity, which say different things."""
    if name == "component":
        return [_component(cast("Json", one), names) for one in cast("list[object]", value)]
    if isinstance(value, list) and all(isinstance(one, dict) for one in value):
        return [(element_words(name), value_words(one, names)) for one in value]
    return [(element_words(name), value_words(value, names))]


def _component(part: Json, names: Mapping[str, str]) -> tuple[str, str]:
    values = [value_words(value, names) for name, value in part.items() if name != "code"]
    return value_words(part["code"], names), "; ".join(values)
