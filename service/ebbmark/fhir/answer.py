"""The answer to any operation in one shape (statements, warnings, and a plan where asked), with units and rounding.

Here alone results are rounded: half to even on the binary value, as Python formats numbers. The digits are finer than
what bedside charting resolves, so that rounding never decides anything: every decision was made on the unrounded
number. Trailing zeros are kept, since FHIR reads the digits of a decimal as its precision.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Final, NamedTuple

import msgspec
from msgspec.structs import replace

from ebbmark.fhir.problems import Ignored, ignored_issue
from ebbmark.fhir.reading.request import Acknowledger, Request
from ebbmark.physiology.before.plan import Plan
from ebbmark.physiology.patient.titration import Titration
from ebbmark.words.messages import InShort, say

_UCUM = "http://unitsofmeasure.org"


class Unit:
    """How one kind of result is spelled, and its Quantity as JSON with a place for the number; compared by identity."""

    __slots__ = ("code", "decimals", "template", "text")

    def __init__(self, text: str, code: str, decimals: int) -> None:
        self.text = text
        self.code = code
        self.decimals = decimals
        self.template = b'{"value":%%.%df,"unit":"%b","system":"%b","code":"%b"}' % (
            decimals,
            text.encode().replace(b"%", b"%%"),
            _UCUM.encode(),
            code.encode().replace(b"%", b"%%"),
        )


PRESSURE = Unit("cmH2O", "cm[H2O]", 1)
VOLUME = Unit("mL", "mL", 0)
VOLUME_PER_WEIGHT = Unit("mL/kg", "mL/kg", 1)
COMPLIANCE = Unit("mL/cmH2O", "mL/cm[H2O]", 1)
WEIGHT = Unit("kg", "kg", 1)
POWER = Unit("J/min", "J/min", 1)
PROBABILITY = Unit("1", "1", 3)
FRACTION = Unit("1", "1", 3)
BLOOD_PRESSURE = Unit("mmHg", "mm[Hg]", 0)
PERCENT = Unit("%", "%", 0)
RATIO = Unit("1", "1", 2)
PER_MINUTE = Unit("/min", "/min", 0)
ACIDITY = Unit("pH", "[pH]", 2)
DOSE_RATE = Unit("mcg/kg/min", "ug/kg/min", 2)
SECONDS = Unit("s", "s", 0)

UNITS: Final[Mapping[str, Unit]] = {
    "pressure": PRESSURE,
    "volume": VOLUME,
    "volume_per_weight": VOLUME_PER_WEIGHT,
    "compliance": COMPLIANCE,
    "weight": WEIGHT,
    "power": POWER,
    "probability": PROBABILITY,
    "fraction": FRACTION,
    "blood_pressure": BLOOD_PRESSURE,
    "percent": PERCENT,
    "ratio": RATIO,
    "per_minute": PER_MINUTE,
    "acidity": ACIDITY,
    "dose_rate": DOSE_RATE,
    "seconds": SECONDS,
}
"""Every unit that leaves, by the name that the tables give it."""


def quantity(value: float, unit: Unit) -> msgspec.Raw | None:
    """FHIR Quantity; None where the number is not finite, which FHIR cannot carry."""
    if not isfinite(value):
        return None
    if value < 0:
        value = round(value, unit.decimals) + 0.0  # adding zero turns a rounded -0.0 into 0.0
    return msgspec.Raw(unit.template % value)


def in_words(value: float, unit: Unit) -> str:
    """The same rounding for a sentence, without trailing zeros, with its unit unless that is 1."""
    number = f"{round(value, unit.decimals) + 0.0:g}"
    return number if unit.code == "1" else f"{number} {unit.text}"


class Amount(NamedTuple):
    """A number and the unit that it leaves in."""

    value: float
    unit: Unit


class Coded(NamedTuple):
    """A code of our own CodeSystem."""

    code: str


class Truth(NamedTuple):
    """True or false."""

    value: bool


class Whole(NamedTuple):
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
        sources: indices of the inputs that it rests on.
        follows_from: kinds of the statements that it rests on.
        members: kinds of the statements that belong to it.
        absent: why there is no value (a code of HL7's data-absent-reason); empty where none is to be expected.
        examination: whether it is of the category exam; else it is of a procedure.
        beside_parts: what the note says and the parts do not, for a page that shows the parts as a table.
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
    follows_from: tuple[str, ...] = ()
    absent: str = "unknown"
    examination: bool = False
    beside_parts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Warned:
    """One warning about this patient, a DetectedIssue in FHIR.

    Attributes:
        kind: its name within the answer.
        severity: high, moderate or low; empty where nobody can say how grave it is.
        sources: indices of the inputs that show it.
        about: names of inputs that show it and did not count otherwise.
        of_statements: kinds of the statements that it bears on.
    """

    kind: str
    code: str
    severity: str
    text: str
    sources: tuple[int, ...] = ()
    span_s: tuple[float, float] | None = None
    about: tuple[str, ...] = ()
    acknowledged_by: Acknowledger | None = None
    of_statements: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule set that was applied, with the values in force that people ask for first, in words."""

    slug: str
    version: str
    title: str
    citation: str
    values: str = ""

    @property
    def sentence(self) -> str:
        """The rules in a sentence."""
        values = f", {self.values}" if self.values else ""
        return f"Rules: {self.title} ({self.slug} version {self.version}{values}). {self.citation}"


@dataclass(frozen=True, slots=True)
class Answer:
    """The whole answer; same inputs, same rules, same engine version: same bytes.

    Attributes:
        basis: every value that it depends on beside its inputs and the engine, as JSON values.
        acknowledged: the plan's warnings that a clinician has acknowledged.
        ignored: every input that did not count: those of the request, and readings that were left out later.
    """

    operation: str
    identity: str
    input_digest: str
    engine_version: str
    basis: Mapping[str, object]
    request: Request
    rules: tuple[Rule, ...]
    span_s: tuple[float, float]
    short: InShort
    said: tuple[str, ...]
    statements: tuple[Statement, ...]
    warnings: tuple[Warned, ...] = ()
    more_would_help: bool = False
    titrated: Titration | None = None
    plan: Plan | None = None
    acknowledged: tuple[str, ...] = ()
    ignored: tuple[Ignored, ...] = ()
    always: tuple[str, ...] = ()

    @property
    def titration(self) -> Titration:
        """The titration as values, for whoever shows a titration and nothing else."""
        if self.titrated is None:
            raise ValueError(f"{self.operation} answers no titration")
        return self.titrated

    @property
    def notes(self) -> list[str]:
        """Everything that it says in sentences: of this patient, of its rules, and of every such answer."""
        preliminary = [say("result.preliminary-inputs")] if self.request.preliminary_inputs else []
        return [*self.said, say("result.signing"), *preliminary, *[rule.sentence for rule in self.rules], *self.always]

    @property
    def issues(self) -> list[dict[str, object]]:
        """FHIR R4 OperationOutcome.issue: every input that did not count, and how the rest was read."""
        charted, unjudged = self.request.charted, {one.path for one in self.request.unjudged}
        found = [
            ignored_issue(replace(one, reason=f"{charted[one.path]}. {one.reason}") if one.path in unjudged else one)
            for one in self.ignored
        ]
        remarks = [*self.request.notes, *([] if self.ignored else [say("result.every-input-received")])]
        found += [{"severity": "information", "code": "informational", "details": {"text": text}} for text in remarks]
        return found
