"""What the record says of each condition: FHIR R4 Condition, whose, how sure, still so, and by which codes.

A condition counts as present unless its status says otherwise; one that is refuted rules out what its code says; one
that is over or was entered in error does not count and is listed. What is unconfirmed, provisional or one of several
diagnoses counts as present and not as certain, and a note says so; so does one with an abatement that is still called
active (the FHIR invariant con-4 forbids that). One whose code nobody can place here, or that cannot be read for another
reason, is kept apart as not judged: it may say anything.

Many narrow codes stand for one concept. Any of them shows that it is there; that one of them is refuted leaves the
others open: without a pulmonary embolism the right heart may still fail, and without a viral disease a pregnancy may
still be there.
Which codes are as wide as their concept is this project's reading of their titles. A code that a site adds is taken for
a narrow one.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/condition.html (clinicalStatus, verificationStatus).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import Final

import msgspec

from ebbmark.fhir.model import Codeable, Coding, Condition, Procedure
from ebbmark.fhir.naming import ALL_ICD
from ebbmark.fhir.problems import Ignored, Problem, ProblemKind, Reason, Source
from ebbmark.fhir.reading.codes import code_shown
from ebbmark.fhir.reading.condition_codes import AS_WIDE, charted_words, named_in_words
from ebbmark.fhir.reading.request import Collected, Context, DocumentedCondition, Received, left_out
from ebbmark.fhir.times import instant, seconds
from ebbmark.physiology.mechanics import OBESE_FROM_KG_PER_M2, body_mass_index

Coded = tuple[str, str]
"""Code system, and code as it was sent."""


_OVER = frozenset({"inactive", "remission", "resolved"})
_GOING_ON = frozenset({"active", "recurrence", "relapse"})
NOT_CURRENT = "condition-not-current"
RULED_OUT_ALONE = "condition-ruled-out-alone"
"""Why a Condition that is over does not count; listed as information, since all is well with it."""
_NOT_PLACED = "condition-not-placed"
"""Why a Condition does not count that no code of the table speaks for: what it says was not looked at."""
_NOT_LOOKED_FOR = "condition-not-looked-for"
"""Why a Condition does not count whose code is known here to say nothing that is looked for."""
OBESITY: Final = "obesity"
PNEUMOTHORAX, DRAINED = "untreated-pneumothorax", "drained-barotrauma"
_UNSURE = frozenset({"unconfirmed", "provisional", "differential"})


def read_conditions(given: Sequence[Received[Condition]], context: Context, collected: Collected) -> None:
    """Read the Conditions of a request."""
    for item in given:
        collected.charted[item.path] = charted_words(item.resource.code)
    newest = _newest(given, collected)
    present = {coding for item in newest if _is_present(item.resource) for coding in _codings(item.resource)}
    present = {(system, _spelled(system, code)) for system, code in present}
    for item in newest:
        _read(item, present, context, collected)


_STATE_OF_PROCEDURE = {"in-progress": "active", "completed": "active"}
"""Clinical status that a Procedure stands for; its period says whether it is over. Any other: it is not done."""


def as_condition(procedure: Procedure) -> Condition | None:
    """What a Procedure says of the patient, such as extracorporeal support, in the shape of a Condition.

    Returns:
        None where it has not the shape of FHIR: it is then left out as any resource that is not needed.
    """
    error = procedure.status == "entered-in-error"
    state = _STATE_OF_PROCEDURE.get(procedure.status, "inactive") if isinstance(procedure.status, str) else "inactive"
    period = procedure.performedPeriod
    ends = isinstance(period, dict) and bool(period.get("end")) and state == "active"
    try:
        return msgspec.convert(
            {
                "resourceType": "Condition",
                **{name: getattr(procedure, name) for name in ("id", "meta", "implicitRules", "modifierExtension")},
                "clinicalStatus": None if ends else {"coding": [{"code": state}]},
                "verificationStatus": {"coding": [{"code": "entered-in-error" if error else "confirmed"}]},
                "code": procedure.code,
                "subject": procedure.subject,
                "abatementPeriod": period,
            },
            Condition,
        )
    except msgspec.ValidationError:
        return None


def _is_present(condition: Condition) -> bool:
    """Whether its status lets it count as present."""
    certainty, state = _code_of(condition.verificationStatus), _code_of(condition.clinicalStatus)
    return certainty not in ("entered-in-error", "refuted") and state not in _OVER


def _codings(condition: Condition) -> list[Coded]:
    return [(coding.system, coding.code) for coding in (condition.code.coding if condition.code else [])]


def _read(item: Received[Condition], present: Collection[Coded], context: Context, found: Collected) -> None:
    condition = item.resource
    certainty, state = _code_of(condition.verificationStatus), _code_of(condition.clinicalStatus)
    if certainty == "entered-in-error":
        return _leave_out(item, Reason.ENTERED_IN_ERROR, "It was entered in error.", found)
    refuted = certainty == "refuted"
    abated = not refuted and _abated(condition, context.now_s)
    over = (state in _OVER or (abated and not state)) and not refuted
    if condition.subject is None or not condition.subject.reference:
        sentence = "It names no patient by reference, so it is not known whose it is."
        return _leave_out(item, Reason.OTHER_SUBJECT, sentence, found, None if over else context)
    found.other_subjects.setdefault(("Condition", condition.subject.reference), item.path)
    if condition.implicitRules or condition.modifierExtension:
        # Either may turn its meaning round, that it is over or refuted included.
        sentence = "It carries a modifier extension or implicit rules that are not known here."
        return _leave_out(item, Reason.MODIFIER_EXTENSION, sentence, found, context)
    if over:
        how = f"Its clinical status is {state}" if state else "It has abated"
        sentence = f"{how}: it does not count as present, and not as proof of absence either."
        return _leave_out(item, NOT_CURRENT, sentence, found)
    codings = _codings(condition)
    concepts = context.condition_codes.concepts_of(codings)
    if not concepts and item.kind == "Procedure":
        sentence = "A Procedure counts only where its code stands for a condition that is looked for."
        return _leave_out(item, Reason.NOT_USED, sentence, found)
    if not concepts:
        return _not_placed(item, codings, context, found, refuted=refuted)
    if refuted:
        concepts = ruled_out(concepts, codings, present)
        if not concepts:
            sentence = (
                "It is charted as refuted. That rules out what its code says, and not all that is looked for under it: "
                "the rest stays as documented elsewhere, or not documented."
            )
            return _leave_out(item, RULED_OUT_ALONE, sentence, found)
    if DRAINED in concepts:
        # A code of the site that says so is narrower than the one for any pneumothorax.
        concepts = tuple(slug for slug in concepts if slug != PNEUMOTHORAX)
    _note(item, certainty, state, found)
    unsure = certainty if certainty in _UNSURE else "charted as abated and as active" if abated else ""
    text = "".join(f"condition|{slug}|{'refuted' if refuted else unsure or 'present'};" for slug in concepts)
    source = Source(item.path, item.reference, text + found.charted[item.path])
    found.documented.append((DocumentedCondition(concepts, not refuted, source, unsure), len(found.sources)))
    found.sources.append(source)
    return None


def _abated(condition: Condition, now_s: float) -> bool:
    """Whether it has an abatement that is not to come; one that cannot be read counts as one."""
    period = condition.abatementPeriod
    end = period.get("end") if isinstance(period, dict) else None
    for when in (condition.abatementDateTime, end):
        if isinstance(when, str) and when:
            at_s = seconds(when)
            return not isinstance(at_s, float) or at_s <= now_s
    return bool(condition.abatementAge or condition.abatementRange or condition.abatementString)


def _not_placed(
    item: Received[Condition], codings: Sequence[Coded], context: Context, found: Collected, *, refuted: bool
) -> None:
    # Any other code may be a name; the answer to the caller shows what was charted (`charted_words`).
    codes = context.condition_codes
    listed = ", ".join(code_shown(Coding(system=system, code=code)) for system, code in codings[:4])
    if codes.is_no_risk(codings):
        sentence = f"None of its codes stands for a condition that is looked for: {listed}."
        return _leave_out(item, _NOT_LOOKED_FOR, sentence, found)
    if not codings:
        sentence = "It has no code, and words alone are not read."
    elif perhaps := codes.leaves_open(codings):
        sentence = f"Its code leaves open whether it is one that is looked for ({perhaps}): {listed}."
    else:
        sentence = f"What its codes stand for is not known here: {listed}."
    return _leave_out(item, _NOT_PLACED, sentence, found, None if refuted else context)


def _note(item: Received[Condition], certainty: str, state: str, found: Collected) -> None:
    where = item.reference or item.path
    if certainty == "refuted":
        return
    if certainty in _UNSURE:
        found.notes[f"{where} is {certainty}; it counts as present until the record says otherwise."] = None
    elif certainty not in ("confirmed", ""):
        found.notes[f"{where} has a verification status that is not known here; it counts as present."] = None
    if state not in _GOING_ON:
        said = "has no clinical status" if not state else "has a clinical status that is not known here"
        found.notes[f"{where} {said}; it counts as present."] = None


def _newest(received: Sequence[Received[Condition]], found: Collected) -> list[Received[Condition]]:
    """One copy per logical id where versions tell; where they do not, every copy counts, and may contradict."""
    groups: dict[object, list[Received[Condition]]] = {}
    for place, item in enumerate(received):
        groups.setdefault(item.resource.id or place, []).append(item)
    kept: list[Received[Condition]] = []
    for copies in groups.values():
        numbers = [copy.resource.meta.versionId if copy.resource.meta else "" for copy in copies]
        if len(copies) > 1 and all(number.isascii() and number.isdigit() and len(number) < 16 for number in numbers):
            newest = max(map(int, numbers))
            for copy, number in zip(copies, numbers, strict=True):
                if int(number) < newest:
                    _leave_out(copy, Reason.SUPERSEDED, "A newer version of this Condition was sent.", found)
            copies = [copy for copy, number in zip(copies, numbers, strict=True) if int(number) == newest]
        seen: set[bytes] = set()
        for copy in copies:
            content = msgspec.json.encode(copy.resource)
            if len(copies) > 1 and content in seen:
                sentence = "The same Condition was sent more than once; one copy was used."
                _leave_out(copy, Reason.DUPLICATE, sentence, found)
            else:
                seen.add(content)
                kept.append(copy)
    return kept


def _code_of(status: Codeable | None) -> str:
    """The code of a status, whichever system says it: both value sets have codes of their own."""
    return status.coding[0].code if status is not None and status.coding else ""


WEIGHT_HOLDS_S: Final = 365 * 86400.0
"""A body weight that was charted longer ago says nothing of today [s]; this project's choice."""


def read_body_mass(height_cm: float | None, until_s: float, collected: Collected) -> float | None:
    """The body mass index, where it shows obesity: that counts like a Condition. Other weights are listed.

    Args:
        height_cm: None where no height is used.
        until_s: the last reading; what is charted later changes no answer [s since 1970-01-01T00:00:00Z].

    Returns:
        Body mass index [kg/m2]; None where it is not known or below the limit.
    """
    said = "Actual weight never enters a predicted-weight target"
    usable = [
        weight
        for weight in collected.weights
        if weight.at_s is not None and until_s - WEIGHT_HOLDS_S <= weight.at_s <= until_s
    ]
    newest = max(usable, key=lambda one: (one.at_s, -one.value), default=None)
    index = body_mass_index(newest.value, height_cm) if newest is not None and height_cm is not None else None
    shown = index is not None and index >= OBESE_FROM_KG_PER_M2
    for weight in collected.weights:
        if weight is newest and index is not None and shown:
            charted = f"a body weight of {weight.value:.0f} kg ({instant(weight.at_s or 0.0)}) with a height of"
            collected.charted[weight.item.path] = (
                f"{charted} {height_cm:g} cm: body mass index {index:.0f} kg/m2, obesity from "
                f"{OBESE_FROM_KG_PER_M2:g} (World Health Organization; fluid counts in it)"
            )
            collected.documented.append((DocumentedCondition((OBESITY,), True, weight.source), len(collected.sources)))
            collected.sources.append(weight.source)
        else:
            why = "the body mass index, for which it is looked at, shows no obesity"
            if height_cm is None:
                why = "no body mass index is computed here"
            elif weight is not newest:
                why = "for the body mass index the newest of the year before the last reading counts"
            collected.ignored.append(left_out(weight.item, Reason.NOT_USED, f"{said}; {why}.", weight.part))
    return index if shown else None


def _leave_out(
    item: Received[Condition], reason: Reason | str, sentence: str, found: Collected, judge: Context | None = None
) -> None:
    """List a Condition that does not count; with a context, one that may be there now and that nobody can judge."""
    ignored = Ignored(item.path, item.reference, reason if isinstance(reason, str) else reason.slug, sentence)
    found.ignored.append(ignored)
    if judge is not None:
        found.unjudged.append(ignored)
        codings, codes, code = _codings(item.resource), judge.condition_codes, item.resource.code
        named = named_in_words("" if code is None else " ".join((code.text, *(one.display for one in code.coding))))
        if codes.concepts_of(codings) or codes.leaves_open(codings) or named:
            found.perhaps.add(item.path)
        if PNEUMOTHORAX in named:
            found.named_pneumothorax.add(item.path)


def mixed(kind: str, path: str) -> Problem:
    """The resource of this kind at this FHIRPath is another patient's."""
    sentence = f"A {kind} is of another patient than the readings; send those of exactly one patient."
    return Problem(ProblemKind.MIXED_PATIENTS, f"{path}.subject", "another patient", "exactly one patient", sentence)


def ruled_out(concepts: Iterable[str], codings: Iterable[Coded], present: Collection[Coded]) -> tuple[str, ...]:
    """The concepts that a refuted Condition rules out, or contradicts where the same code is charted as present."""
    listed = [(system, _spelled(system, code)) for system, code in codings]
    if any(one in present for one in listed):
        return tuple(concepts)
    return tuple(slug for slug in concepts if any(one in AS_WIDE.get(slug, ()) for one in listed))


def _spelled(system: str, code: str) -> str:
    return code.upper().replace(".", "").rstrip("-+*!†") if system in ALL_ICD else code.upper()
