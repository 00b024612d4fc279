"""A profile of charted data: each code, unit, category and shape, how often, with which range, and read as what.

The Observations go through the reader of requests, so that what is told here is what a request would meet. Of patients
nothing is kept but counts and ranges. The method is that of data profiling; the categories are ours.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import msgspec

from ebbmark.fhir.inspection.resources import Json, ResourceMet
from ebbmark.fhir.model import ANY_RESOURCE, DeviceMetric, Observation
from ebbmark.fhir.problems import Reason
from ebbmark.fhir.reading.coded_values import CHANGE_CODES
from ebbmark.fhir.reading.codes import HeightKind
from ebbmark.fhir.reading.collected import Collected, Context, Received
from ebbmark.fhir.reading.concept_map import CodeMap
from ebbmark.fhir.reading.eligibility import USABLE_STATUSES
from ebbmark.fhir.reading.observations import read_observations
from ebbmark.fhir.times import seconds

__all__ = ["WHAT_HELPS", "CodeMet", "Concept", "Tally", "UnitMet", "tally_of"]

_LONGEST = 60

_A_UNIT = (
    "a UCUM code in Quantity.code with system http://unitsofmeasure.org, or a row of the site's charting table "
    "(EBBMARK_CHARTING)"
)
WHAT_HELPS: dict[str, tuple[str, str]] = {
    Reason.UNKNOWN_CODE.slug: ("its code is not known", "a ConceptMap of the site (EBBMARK_CODE_MAP)"),
    Reason.CODINGS_DISAGREE.slug: (
        "its codings mean different things",
        "a ConceptMap of the site that says what the code means here (EBBMARK_CODE_MAP)",
    ),
    Reason.SETTING_UNCLEAR.slug: (
        "device and code disagree on setting or measurement",
        "the category of the DeviceMetric, or the code, corrected in the record",
    ),
    Reason.NOT_USED.slug: (
        "its code is known and not used",
        "nothing, unless it means another thing here: then a ConceptMap (EBBMARK_CODE_MAP)",
    ),
    Reason.UNIT_UNKNOWN.slug: (
        "its unit is not known",
        _A_UNIT,
    ),
    Reason.UNIT_MISSING.slug: ("it has no unit", _A_UNIT),
    "wrong-dimension": ("its unit is of another kind of quantity", "the unit, or the code, corrected in the record"),
    Reason.NOT_A_QUANTITY.slug: (
        "its value is no number with a unit",
        "valueQuantity, or the unit in the site's charting table (EBBMARK_CHARTING)",
    ),
    Reason.NO_VALUE.slug: ("it has no value", "a value"),
    Reason.DATA_ABSENT.slug: ("its value is said to be absent", ""),
    Reason.COMPARATOR.slug: ("its value is a bound", ""),
    Reason.OUT_OF_RANGE.slug: ("its value is out of range", "the unit or the value corrected in the record"),
    Reason.GROUP.slug: ("it groups other Observations", "nothing, where its members are sent, too"),
    Reason.NO_TIME.slug: ("it has no time", "effectiveDateTime with a zone"),
    Reason.NO_ZONE.slug: (
        "its time has no zone",
        "a zone, as in 2026-03-01T10:00:00+01:00, or the zone in the site's charting table (EBBMARK_CHARTING)",
    ),
    Reason.DATE_ONLY.slug: ("it has a date without a time", "effectiveDateTime with time and zone"),
    Reason.INVALID_TIME.slug: ("its time cannot be read", "effectiveDateTime as in 2026-03-01T10:00:00+01:00"),
    Reason.TIMING.slug: ("its effectiveTiming is not one moment", "effectiveDateTime"),
    Reason.PERIOD.slug: ("its period cannot be used", "effectivePeriod with start, and an end after it"),
    Reason.FUTURE.slug: ("its time lies ahead", "a clock that is right"),
    Reason.PRELIMINARY.slug: ("its status is preliminary", "EBBMARK_ACCEPT_PRELIMINARY, or accept-preliminary"),
    Reason.STATUS_UNKNOWN.slug: ("its status does not count", "status final, amended or corrected"),
    Reason.CONFLICT.slug: ("values of one moment contradict one another", "one of them amended, or entered-in-error"),
    Reason.MODIFIER_EXTENSION.slug: ("it carries a modifier extension", "nothing: its meaning is not known here"),
    Reason.IMPLICIT_RULES.slug: ("it was made under implicit rules", "nothing: its meaning is not known here"),
    Reason.OTHER_SUBJECT.slug: ("it is not about a patient", ""),
    Reason.NOT_CODED.slug: ("its value is not coded", "valueCodeableConcept with a coding"),
    Reason.ENTERED_IN_ERROR.slug: ("it was entered in error", ""),
    Reason.CANCELLED.slug: ("it was cancelled", ""),
    Reason.REGISTERED.slug: ("there is no result yet", ""),
    Reason.SUPERSEDED.slug: ("a newer version is there", ""),
    Reason.DUPLICATE.slug: ("it is there more than once; one counts", ""),
    "not-fhir": ("its shape is not that of FHIR R4", "see the element in the refusal of a request with it"),
}
"""Why something is not read, and what would make it readable, by the reason's slug."""


class Concept(NamedTuple):
    """What names a reading: its first coding, or its text where it has no coding."""

    system: str
    code: str
    display: str
    text: str

    @property
    def words(self) -> str:
        """All words that may say what it is."""
        return " ".join(one for one in (self.display, self.text, self.code) if one)


class UnitMet(NamedTuple):
    """Quantity.system, code and unit as they stand there; all empty where there is none."""

    system: str
    code: str
    unit: str

    @property
    def shown(self) -> str:
        """As people spell it."""
        words = self.code or self.unit
        if not words:
            return "no unit"
        foreign = f" of {self.system}" if self.system and self.system != "http://unitsofmeasure.org" else ""
        bare = " (as text)" if not self.code else ""
        return f"{words}{foreign}{bare}"


@dataclass(slots=True)
class CodeMet:
    """One code with everything that was seen of it.

    Attributes:
        concept: what names it.
        place: `Observation` or `component`.
        count: how often.
        categories: codes of Observation.category.
        shapes: names of the value elements.
        units: units of valueQuantity.
        low: smallest number; None where there is no number.
        high: largest number.
        outcomes: how often it became which quantity (`read as peep-set`) or was left for which reason (its slug).
        at: number by instant [s since 1970-01-01T00:00:00Z], for comparison with what was charted beside it.
    """

    concept: Concept
    place: str
    count: int = 0
    categories: Counter[str] = field(default_factory=Counter)
    shapes: Counter[str] = field(default_factory=Counter)
    units: Counter[UnitMet] = field(default_factory=Counter)
    low: float | None = None
    high: float | None = None
    outcomes: Counter[str] = field(default_factory=Counter)
    at: dict[float, float] = field(default_factory=dict, repr=False)

    @property
    def quantity(self) -> str:
        """The slug that it is mostly read as; empty where it is not read."""
        read = [(count, what) for what, count in self.outcomes.items() if what.startswith(READ_AS)]
        return max(read)[1].removeprefix(READ_AS) if read else ""

    @property
    def numeric(self) -> bool:
        """Whether it has numbers."""
        return self.low is not None


READ_AS = "read as "


@dataclass(frozen=True, slots=True)
class Tally:
    """What charted data hold.

    Attributes:
        codes: most frequent first.
        types: how many resources of each type.
        patients: how many different subjects.
        first_s: earliest time [s since 1970-01-01T00:00:00Z]; None where no time can be read.
        last_s: latest time.
        own_results: how many Observations are earlier results of this service; their codes are none of the chart.
    """

    codes: tuple[CodeMet, ...]
    types: dict[str, int]
    patients: int
    first_s: float | None
    last_s: float | None
    own_results: int

    @property
    def unread(self) -> tuple[CodeMet, ...]:
        """Codes of which nothing is read."""
        return tuple(one for one in self.codes if not one.quantity)


def tally_of(met: Sequence[ResourceMet], *, at_s: float, code_map: CodeMap, accept_preliminary: bool = False) -> Tally:
    """Profile charted data.

    Args:
        met: the resources.
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        code_map: the codes that are understood.
        accept_preliminary: whether Observations of status preliminary count.
    """
    observations = [one for one in met if one.resource.get("resourceType") == "Observation"]
    outcomes = _outcomes(met, at_s, code_map, accept_preliminary)
    codes: dict[tuple[object, ...], CodeMet] = {}
    subjects: set[str] = set()
    times: list[float] = []
    own_results = 0
    for one in observations:
        if outcomes.get(one.path) == Reason.OWN_RESULT.slug:
            own_results += 1
            continue
        resource = one.resource
        at = _moment(resource)
        times += [at] if at is not None else []
        subjects.add(_text(_of(resource, "subject"), "reference"))
        for holder, part in _holders(resource):
            concept = _concept(holder)
            place = "component" if part else "Observation"
            key = (concept.system, concept.code) if concept.code else ("", concept.text or concept.display)
            found = codes.setdefault((place, *key), CodeMet(concept, place))
            _count(found, resource, holder, at)
            found.outcomes[outcomes.get(one.path + part) or outcomes.get(one.path) or "not-fhir"] += 1
    return Tally(
        codes=tuple(sorted(codes.values(), key=lambda each: (-each.count, each.concept))),
        types=dict(sorted(Counter(str(one.resource["resourceType"])[:40] for one in met).items())),
        patients=len(subjects - {""}),
        first_s=min(times, default=None),
        last_s=max(times, default=None),
        own_results=own_results,
    )


def _count(found: CodeMet, resource: Json, holder: Json, at_s: float | None) -> None:
    found.count += 1
    found.categories.update(_categories(resource))
    shapes = sorted(name for name in holder if name.startswith("value") and name[5:6].isupper())
    found.shapes.update([", ".join(shapes)[:_LONGEST] or "no value"])
    quantity = _of(holder, "valueQuantity")
    if "valueQuantity" in holder:
        found.units[UnitMet(_text(quantity, "system"), _text(quantity, "code"), _text(quantity, "unit"))] += 1
    number = quantity.get("value", holder.get("valueInteger"))
    if isinstance(number, int | float) and not isinstance(number, bool):
        found.low = number if found.low is None else min(found.low, number)
        found.high = number if found.high is None else max(found.high, number)
        if at_s is not None:
            found.at[at_s] = float(number)


def _outcomes(met: Sequence[ResourceMet], at_s: float, code_map: CodeMap, accept_preliminary: bool) -> dict[str, str]:
    """What the reader of requests makes of each Observation or component, by FHIRPath."""
    received: list[Received] = []
    categories: dict[str, str] = {}
    for one in met:
        if one.resource.get("resourceType") not in ("Observation", "DeviceMetric"):
            continue
        try:
            resource = msgspec.convert(one.resource, ANY_RESOURCE.type)
        except (msgspec.ValidationError, RecursionError):
            continue
        if isinstance(resource, Observation):
            received.append(Received(resource, one.path, one.full_url))
        elif isinstance(resource, DeviceMetric):
            categories |= {key: resource.category for key in (one.full_url, f"DeviceMetric/{resource.id}") if key}
    context = Context(
        code_map=code_map,
        statuses=USABLE_STATUSES | {"preliminary"} if accept_preliminary else USABLE_STATUSES,
        now_s=at_s,
        categories=categories,
        coded=code_map.rhythms | CHANGE_CODES.keys(),
        rhythms=code_map.rhythms,
    )
    return _by_path(read_observations(received, context))


def _by_path(collected: Collected) -> dict[str, str]:
    found = {
        one.path: one.code for one in collected.ignored if not one.path.endswith("]") or "contained" not in one.path
    }
    for problem in collected.problems:
        found[problem.expression.removesuffix(".valueQuantity").removesuffix(".status")] = problem.kind.slug
    for number, reading in enumerate(collected.readings):
        path = collected.sources[reading.source].path
        found[path + collected.parts.get(number, "")] = f"{READ_AS}{reading.quantity.slug}"
    for height in collected.heights:
        kind = "" if height.kind is HeightKind.GENERIC else f" ({height.kind.slug})"
        found[height.item.path + height.part] = f"{READ_AS}height{kind}"
    found |= {one.item.path + one.part: f"{READ_AS}{one.kind.value}" for one in collected.sexes}
    found |= {one.item.path + one.part: f"{READ_AS}body-weight" for one in collected.weights}
    found |= {one.path: f"{READ_AS}position, mode or rhythm" for one in collected.coded_values.taken}
    return found


def _holders(resource: Json) -> Iterable[tuple[Json, str]]:
    parts = resource.get("component")
    listed = [one for one in parts if isinstance(one, dict)] if isinstance(parts, list) else []
    if not listed or any(name.startswith("value") for name in resource):
        yield resource, ""
    yield from ((one, f".component[{number}]") for number, one in enumerate(listed))


def _concept(holder: Json) -> Concept:
    code = _of(holder, "code")
    listed = code.get("coding")
    coding = (
        next((one for one in listed if isinstance(one, dict) and one.get("code")), {})
        if isinstance(listed, list)
        else {}
    )
    return Concept(_text(coding, "system"), _text(coding, "code"), _text(coding, "display"), _text(code, "text"))


def _categories(resource: Json) -> list[str]:
    listed = resource.get("category")
    found = []
    for one in listed if isinstance(listed, list) else ():
        codings = one.get("coding") if isinstance(one, dict) else None
        found += [_text(coding, "code") for coding in codings if isinstance(coding, dict)] if codings else []
    return [one for one in found if one] or ["no category"]


def _of(value: Json, name: str) -> Json:
    found = value.get(name)
    return found if isinstance(found, dict) else {}


def _text(value: Json, name: str) -> str:
    found = value.get(name)
    if not isinstance(found, str):
        return ""
    plain = " ".join("".join(letter if letter.isprintable() else " " for letter in found).split())
    return plain if len(plain) <= _LONGEST else f"{plain[: _LONGEST - 3]}..."


def _moment(resource: Json) -> float | None:
    period = _of(resource, "effectivePeriod")
    for text in (resource.get("effectiveDateTime"), resource.get("effectiveInstant"), period.get("start")):
        found = seconds(text) if isinstance(text, str) else None
        if isinstance(found, float):
            return found
    return None
