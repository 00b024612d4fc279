"""What does the record say of each condition? FHIR R4 Condition: whose, how sure, still so, and by which codes.

A condition counts as present unless its status says otherwise; one that is refuted rules out what its code says; one
that is over or was entered in error does not count and is listed. What is unconfirmed counts as present, and a note
says so. One whose code nobody can place here, or that cannot be read for another reason, is kept apart as not judged:
it may say anything.
Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/condition.html (clinicalStatus, verificationStatus).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import msgspec

from ebbmark.fhir.bedside.charted import ChartedCode, charted_words
from ebbmark.fhir.bedside.condition_lookup import ConditionCodes
from ebbmark.fhir.bedside.refuting import Coded, ruled_out
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.decoder_faults import split_message, wrong
from ebbmark.fhir.reading.elements import Codeable, Meta, Reference
from ebbmark.fhir.reasons import Reason
from ebbmark.fhir.references import reference_to
from ebbmark.fhir.request import Ignored, Source

__all__ = ["NOT_LOOKED_FOR", "NOT_PLACED", "Conditions", "Documented", "mixed", "read_conditions"]

_OVER = frozenset({"inactive", "remission", "resolved"})
_GOING_ON = frozenset({"active", "recurrence", "relapse"})
NOT_CURRENT = "condition-not-current"
RULED_OUT_ALONE = "condition-ruled-out-alone"
"""Why a Condition that is over does not count; listed as information, since all is well with it."""
NOT_PLACED = "condition-not-placed"
"""Why a Condition does not count that no code of the table speaks for: what it says was not looked at."""
NOT_LOOKED_FOR = "condition-not-looked-for"
"""Why a Condition does not count whose code is known here to say nothing that is looked for."""
_UNSURE = frozenset({"unconfirmed", "provisional", "differential"})


class _Condition(msgspec.Struct, frozen=True, tag_field="resourceType", tag="Condition"):
    """FHIR Condition, as far as it is read."""

    id: str = ""
    meta: Meta | None = None
    implicitRules: str = ""
    modifierExtension: object = None
    clinicalStatus: Codeable | None = None
    verificationStatus: Codeable | None = None
    code: ChartedCode | None = None
    subject: Reference | None = None


class Documented(NamedTuple):
    """One Condition that counts.

    Attributes:
        concepts: slugs of the risk concepts that its codes stand for.
        present: False where it is refuted.
        source: as it will be listed.
    """

    concepts: tuple[str, ...]
    present: bool
    source: Source


class _Received(NamedTuple):
    condition: _Condition
    path: str
    reference: str


@dataclass(slots=True)
class Conditions:
    """What the Conditions of one request say; filled once.

    Attributes:
        documented: those that count.
        subjects: FHIRPath of the first Condition by reference of its subject.
        ignored: those that do not count, each with its reason.
        unjudged: those among them that may be there now and of which nobody can say here what they mean.
        problems: what stops the request.
        charted: the words in which each Condition was charted, by its FHIRPath.
        notes: remarks, each once.
    """

    documented: list[Documented] = field(default_factory=list)
    subjects: dict[str, str] = field(default_factory=dict)
    ignored: list[Ignored] = field(default_factory=list)
    unjudged: list[Ignored] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    charted: dict[str, str] = field(default_factory=dict)
    notes: dict[str, None] = field(default_factory=dict)


def read_conditions(given: Sequence[tuple[object, str, str]], codes: ConditionCodes) -> Conditions:
    """Read the Conditions of a request.

    Args:
        given: each as plain JSON, with its FHIRPath and its fullUrl, which may be empty.
        codes: the table in force.
    """
    found = Conditions()
    received = []
    for value, path, full_url in given:
        try:
            condition = msgspec.convert(value, _Condition)
        except (msgspec.ValidationError, RecursionError) as error:
            message, below = split_message(str(error))
            found.problems.append(wrong(message, path + below))
            continue
        version = condition.meta.versionId if condition.meta else ""
        found.charted[path] = charted_words(condition.code)
        received.append(_Received(condition, path, reference_to("Condition", condition.id, version, full_url)))
    newest = _newest(received, found)
    present = {one for item in newest if _is_present(item.condition) for one in _codings(item.condition)}
    for item in newest:
        _read(item, codes, present, found)
    return found


def _is_present(condition: _Condition) -> bool:
    """Whether its status lets it count as present."""
    certainty, state = _code_of(condition.verificationStatus), _code_of(condition.clinicalStatus)
    return certainty not in ("entered-in-error", "refuted") and state not in _OVER


def _codings(condition: _Condition) -> list[Coded]:
    return [(coding.system, coding.code) for coding in (condition.code.coding if condition.code else [])]


def _read(item: _Received, codes: ConditionCodes, present: Collection[Coded], found: Conditions) -> None:
    condition = item.condition
    certainty, state = _code_of(condition.verificationStatus), _code_of(condition.clinicalStatus)
    if certainty == "entered-in-error":
        return _leave_out(item, Reason.ENTERED_IN_ERROR, "It was entered in error.", found)
    refuted = certainty == "refuted"
    over = state in _OVER and not refuted
    if condition.subject is None or not condition.subject.reference:
        sentence = "It names no patient by reference, so it is not known whose it is."
        return _leave_out(item, Reason.OTHER_SUBJECT, sentence, found, unjudged=not over)
    found.subjects.setdefault(condition.subject.reference, item.path)
    if condition.implicitRules or condition.modifierExtension:
        # Either may turn its meaning round, that it is over or refuted included.
        sentence = "It carries a modifier extension or implicit rules that are not known here."
        return _leave_out(item, Reason.MODIFIER_EXTENSION, sentence, found, unjudged=True)
    if over:
        sentence = f"Its clinical status is {state}: it does not count as present, and not as proof of absence either."
        return _leave_out(item, NOT_CURRENT, sentence, found)
    codings = _codings(condition)
    concepts = codes.concepts_of(codings)
    if not concepts:
        return _not_placed(item, codings, codes, found, refuted=refuted)
    if refuted:
        concepts = ruled_out(concepts, codings, present)
        if not concepts:
            sentence = (
                "It is charted as refuted. That rules out what its code says, and not all that is looked for under it: "
                "the rest stays as documented elsewhere, or not documented."
            )
            return _leave_out(item, RULED_OUT_ALONE, sentence, found)
    _note(item, certainty, state, found)
    text = "".join(f"condition|{slug}|{'refuted' if refuted else 'present'};" for slug in concepts)
    found.documented.append(
        Documented(concepts, not refuted, Source(item.path, item.reference, text + found.charted[item.path]))
    )
    return None


def _not_placed(
    item: _Received,
    codings: Sequence[tuple[str, str]],
    codes: ConditionCodes,
    found: Conditions,
    *,
    refuted: bool,
) -> None:
    listed = ", ".join(f"{system}|{code}" for system, code in codings[:4])[:300]
    if codes.is_no_risk(codings):
        sentence = f"None of its codes stands for a condition that is looked for: {listed}."
        return _leave_out(item, NOT_LOOKED_FOR, sentence, found)
    if not codings:
        sentence = "It has no code, and words alone are not read."
    elif perhaps := codes.leaves_open(codings):
        sentence = f"Its code leaves open whether it is one that is looked for ({perhaps}): {listed}."
    else:
        sentence = f"What its codes stand for is not known here: {listed}."
    return _leave_out(item, NOT_PLACED, sentence, found, unjudged=not refuted)


def _note(item: _Received, certainty: str, state: str, found: Conditions) -> None:
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


def _newest(received: Sequence[_Received], found: Conditions) -> list[_Received]:
    """One copy per logical id where versions tell; where they do not, every copy counts, and may contradict."""
    groups: dict[object, list[_Received]] = {}
    for place, item in enumerate(received):
        groups.setdefault(item.condition.id or place, []).append(item)
    kept: list[_Received] = []
    for copies in groups.values():
        numbers = [copy.condition.meta.versionId if copy.condition.meta else "" for copy in copies]
        if len(copies) > 1 and all(number.isascii() and number.isdigit() and len(number) < 16 for number in numbers):
            newest = max(map(int, numbers))
            older = [copy for copy, number in zip(copies, numbers, strict=True) if int(number) < newest]
            for copy in older:
                _leave_out(copy, Reason.SUPERSEDED, "A newer version of this Condition was sent.", found)
            copies = [copy for copy in copies if copy not in older]
        for number, copy in enumerate(copies):
            if any(copy.condition == earlier.condition for earlier in copies[:number]):
                sentence = "The same Condition was sent more than once; one copy was used."
                _leave_out(copy, Reason.DUPLICATE, sentence, found)
            else:
                kept.append(copy)
    return kept


def _code_of(status: Codeable | None) -> str:
    """The code of a status, whichever system says it: both value sets have codes of their own."""
    return status.coding[0].code if status is not None and status.coding else ""


def _leave_out(
    item: _Received, reason: Reason | str, sentence: str, found: Conditions, *, unjudged: bool = False
) -> None:
    slug = reason if isinstance(reason, str) else reason.slug
    left_out = Ignored(item.path, item.reference, slug, sentence)
    found.ignored.append(left_out)
    if unjudged:
        found.unjudged.append(left_out)


def mixed(kind: str, path: str) -> Problem:
    """The resource of this kind at this FHIRPath is another patient's."""
    sentence = f"A {kind} is of another patient than the readings; send those of exactly one patient."
    return Problem(ProblemKind.MIXED_PATIENTS, f"{path}.subject", "another patient", "exactly one patient", sentence)
