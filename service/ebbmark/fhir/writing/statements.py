"""What is an answer at the bedside, whichever question it answers? Statements, warnings and a plan, in one shape."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256

from ebbmark import __version__
from ebbmark.fhir.reading.question import Acknowledger
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.writing.canonical import canonical_bytes
from ebbmark.fhir.writing.quantities import Unit
from ebbmark.physiology.before.plan import Plan

__all__ = ["Amount", "Answer", "Coded", "Part", "Rule", "Statement", "Truth", "Warned", "Whole", "identity_of"]


@dataclass(frozen=True, slots=True)
class Amount:
    """A number and the unit that it leaves in."""

    value: float
    unit: Unit


@dataclass(frozen=True, slots=True)
class Coded:
    """A code of our own CodeSystem."""

    code: str


@dataclass(frozen=True, slots=True)
class Truth:
    """True or false."""

    value: bool


@dataclass(frozen=True, slots=True)
class Whole:
    """A count."""

    value: int


Value = Amount | Coded | Truth | Whole
Part = tuple[str, Value | None]
"""Code and value of one part of a statement; None where the value is not known."""


@dataclass(frozen=True, slots=True)
class Statement:
    """One thing that is said, an Observation in FHIR.

    Attributes:
        kind: its name within the answer.
        code: of our own CodeSystem or of our LOINC terms.
        value: None where nothing can be said; a reason stands in the note.
        note: in plain sentences.
        method: rule and source, in one line; empty for none.
        sources: indices of the inputs that it rests on.
        members: kinds of the statements that belong to it.
        parts: in order.
        span_s: from when to when it holds; None for the answer's own.
    """

    kind: str
    code: str
    value: Value | None
    note: str = ""
    method: str = ""
    sources: tuple[int, ...] = ()
    members: tuple[str, ...] = ()
    parts: tuple[Part, ...] = ()
    span_s: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Warned:
    """One warning about this patient, a DetectedIssue in FHIR.

    Attributes:
        kind: its name within the answer.
        code: of our own CodeSystem.
        severity: high, moderate or low; empty where nobody can say how grave it is.
        text: what was found and who says that it matters.
        sources: indices of the inputs that show it.
        span_s: from when to when it was seen; None for the time of the answer.
        about: names of inputs that show it and did not count otherwise.
        acknowledged_by: the clinician who has acknowledged it; None where nobody has.
    """

    kind: str
    code: str
    severity: str
    text: str
    sources: tuple[int, ...] = ()
    span_s: tuple[float, float] | None = None
    about: tuple[str, ...] = ()
    acknowledged_by: Acknowledger | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule set that was applied: slug, version, title, and who answers for it or where it comes from."""

    slug: str
    version: str
    title: str
    citation: str


@dataclass(frozen=True, slots=True)
class Answer:
    """The whole answer; same inputs, same rules, same engine version: same bytes.

    Attributes:
        operation: slug of the question.
        identity: 64 hexadecimal digits.
        input_digest: 64 hexadecimal digits.
        engine_version: of this software.
        request: what was asked.
        rules: every rule set applied.
        span_s: from when to when the answer looks [s since 1970-01-01T00:00:00Z].
        said: the answer in plain sentences, the most important first.
        statements: in the order in which people read them.
        warnings: gravest first.
        more_would_help: whether further data would make the answer better.
        plan: what was planned; None for every other question.
        acknowledged: the plan's warnings that a clinician has acknowledged.
        ignored: readings that a trial left out are named by their input in the request's own list.
    """

    operation: str
    identity: str
    input_digest: str
    engine_version: str
    request: Request
    rules: tuple[Rule, ...]
    span_s: tuple[float, float]
    said: tuple[str, ...]
    statements: tuple[Statement, ...]
    warnings: tuple[Warned, ...] = ()
    more_would_help: bool = False
    plan: Plan | None = None
    acknowledged: tuple[str, ...] = ()


def identity_of(operation: str, request: Request, rules: Mapping[str, object], *, dated: bool) -> tuple[str, str]:
    """Name inputs and answer.

    Args:
        operation: slug of the question.
        request: what was asked.
        rules: every value that the answer depends on beside the inputs, as JSON values.
        dated: whether the answer depends on the instant that counts as now.

    Returns:
        Identity and input digest, 64 hexadecimal digits each.
    """
    person = request.person
    inputs = [
        [
            request.subject,
            request.encounter,
            person.height_cm if person else None,
            person.sex.value if person else None,
        ],
        sorted(source.reference + "\n" + source.value for source in request.sources),
        sorted(f"{one.reference or one.path}\n{request.charted[one.path]}\n{one.reason}" for one in request.unjudged),
    ]
    digest = sha256(canonical_bytes(inputs)).hexdigest()
    asked = request.asked
    named = {
        "operation": operation,
        "inputs": digest,
        "engine": __version__,
        "rules": dict(rules),
        "now": request.as_of_s if dated else None,
        "asked": [
            asked.noradrenaline_equivalent_mcg_per_kg_per_min,
            asked.body_mass_index,
            asked.barometric_pressure_mmhg,
            asked.variant.value,
            asked.peep_rise_cmh2o,
            sorted({what for what, _ in asked.acknowledged.what}),
            list(asked.acknowledged.who) if asked.acknowledged.who else None,
            asked.trial_started_s,
            asked.titrated_s,
            asked.suggested_peep_cmh2o,
            asked.released_ml,
            asked.usual_volume_ml,
            asked.release_high_peep_cmh2o,
            asked.release_low_peep_cmh2o,
            asked.compliance_at_low_peep_ml_per_cmh2o,
            request.age_years,
        ],
    }
    return sha256(canonical_bytes(named)).hexdigest(), digest
