"""A profile of charted data: each code, unit, category and shape, how often, with which range, and read as what.

The Observations go through the reader of requests, so that what is told here is what a request would meet. Of patients
nothing is kept but counts and ranges. The method is that of data profiling; the categories are ours. A file is a Bundle
(nested or not), NDJSON as of a bulk export, a list, or one resource.

Sources: FHIR R4 4.0.1, https://hl7.org/fhir/R4/bundle.html and references.html#contained; NDJSON as in FHIR Bulk Data
Access, https://hl7.org/fhir/uv/bulkdata/ (one resource per line).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import msgspec

from ebbmark.fhir.model import ANY_RESOURCE, DeviceMetric, Observation
from ebbmark.fhir.problems import Problem, ProblemKind, Reason, Rejected
from ebbmark.fhir.reading.charting import as_charted, with_zone
from ebbmark.fhir.reading.codes import CodeMap, HeightKind
from ebbmark.fhir.reading.events import CHANGE_CODES
from ebbmark.fhir.reading.observations import read_observations
from ebbmark.fhir.reading.request import USABLE_STATUSES, Collected, Context, Received
from ebbmark.fhir.times import seconds

Json = dict[str, object]

_DEEPEST = 8
"""Bundles within Bundles, and contained resources, are followed this far."""

_LONGEST = 60
_NOT_JSON = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)


class ResourceMet(NamedTuple):
    """One resource, where it stands, and its fullUrl, which may be empty."""

    resource: Json
    path: str
    full_url: str


class ChartedConcept(NamedTuple):
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
        outcomes: how often it became which quantity (`read as peep-set`) or was left for which reason (its slug).
        at: number by instant [s since 1970-01-01T00:00:00Z], for comparison with what was charted beside it.
    """

    concept: ChartedConcept
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
class Profile:
    """What charted data hold; `own_results` are earlier results of this service, whose codes do not count."""

    codes: tuple[CodeMet, ...]
    types: dict[str, int]
    patients: int
    first_s: float | None
    last_s: float | None
    own_results: int

    @property
    def unread(self) -> tuple[CodeMet, ...]:
        """Codes of which nothing is read."""
        return tuple(code for code in self.codes if not code.quantity)


def profile_of(
    met: Sequence[ResourceMet], *, at_s: float, code_map: CodeMap, accept_preliminary: bool = False
) -> Profile:
    """Profile charted data."""
    observations = [one for one in met if one.resource.get("resourceType") == "Observation"]
    outcomes = _outcomes(met, at_s, code_map, accept_preliminary)
    codes: dict[tuple[object, ...], CodeMet] = {}
    subjects: set[str] = set()
    times: list[float] = []
    own_results = 0
    for observation in observations:
        if outcomes.get(observation.path) == Reason.OWN_RESULT.slug:
            own_results += 1
            continue
        resource = observation.resource
        at = _moment(resource, code_map)
        times += [at] if at is not None else []
        subjects.add(_text(_of(resource, "subject"), "reference"))
        for holder, part in _holders(resource):
            concept = _concept(holder)
            place = "component" if part else "Observation"
            key = (concept.system, concept.code) if concept.code else ("", concept.text or concept.display)
            found = codes.setdefault((place, *key), CodeMet(concept, place))
            _count(found, resource, holder, at)
            found.outcomes[outcomes.get(observation.path + part) or outcomes.get(observation.path) or "not-fhir"] += 1
    return Profile(
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
    received: list[Received[Observation]] = []
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
    if code_map.charting or code_map.texts:
        received, _ = as_charted(received, code_map)
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
    found |= {sex.item.path + sex.part: f"{READ_AS}{sex.kind.value}" for sex in collected.sexes}
    found |= {weight.path: f"{READ_AS}body-weight" for weight in collected.weights}
    found |= {one.path: f"{READ_AS}position, mode or rhythm" for one in collected.coded_values.taken}
    return found


def _holders(resource: Json) -> Iterable[tuple[Json, str]]:
    parts = resource.get("component")
    listed = [part for part in parts if isinstance(part, dict)] if isinstance(parts, list) else []
    if not listed or any(name.startswith("value") for name in resource):
        yield resource, ""
    yield from ((one, f".component[{number}]") for number, one in enumerate(listed))


def _concept(holder: Json) -> ChartedConcept:
    code = _of(holder, "code")
    coding = next((one for _, one in _listed(code, "coding") if one.get("code")), {})
    return ChartedConcept(_text(coding, "system"), _text(coding, "code"), _text(coding, "display"), _text(code, "text"))


def _categories(resource: Json) -> list[str]:
    codings = (each for _, one in _listed(resource, "category") for _, each in _listed(one, "coding"))
    found = [_text(coding, "code") for coding in codings]
    return [one for one in found if one] or ["no category"]


def _of(value: Json, name: str) -> Json:
    found = value.get(name)
    return found if isinstance(found, dict) else {}


def _listed(value: Json, name: str) -> list[tuple[int, Json]]:
    """The objects of a list, each with its place."""
    found = value.get(name)
    return [(place, one) for place, one in enumerate(found if isinstance(found, list) else ()) if isinstance(one, dict)]


def _text(value: Json, name: str) -> str:
    found = value.get(name)
    if not isinstance(found, str):
        return ""
    plain = " ".join("".join(letter if letter.isprintable() else " " for letter in found).split())
    return plain if len(plain) <= _LONGEST else f"{plain[: _LONGEST - 3]}..."


def _moment(resource: Json, code_map: CodeMap) -> float | None:
    period = _of(resource, "effectivePeriod")
    for text in (resource.get("effectiveDateTime"), resource.get("effectiveInstant"), period.get("start")):
        found = seconds(with_zone(text, code_map.zone) if code_map.zone else text) if isinstance(text, str) else None
        if isinstance(found, float):
            return found
    return None


def resources_in(content: bytes) -> list[ResourceMet]:
    """Every resource of JSON or NDJSON, those within others among them; raises Rejected where it is neither."""
    found: list[ResourceMet] = []
    for value, path in _values(content.removeprefix(b"\xef\xbb\xbf")):
        found += _within(value, path, "", 0)
    if not found:
        raise Rejected((_nothing("no resource"),))
    return found


def collection_of(met: list[ResourceMet]) -> bytes:
    """The same resources as one plain Bundle, for the reader of requests."""
    entries = [
        {"fullUrl": one.full_url, "resource": one.resource} if one.full_url else {"resource": one.resource}
        for one in met
    ]
    return msgspec.json.encode({"resourceType": "Bundle", "type": "collection", "entry": entries})


def _values(content: bytes) -> Iterator[tuple[object, str]]:
    try:
        whole = msgspec.json.decode(content)
    except _NOT_JSON:
        lines = [(number, line) for number, line in enumerate(content.splitlines(), start=1) if line.strip()]
        for number, line in lines:
            try:
                yield msgspec.json.decode(line), f"line {number}: "
            except _NOT_JSON as error:
                where = f"line {number} is not JSON ({str(error)[:80]})" if len(lines) > 1 else str(error)[:120]
                raise Rejected((_nothing(where),)) from None
    else:
        yield from (
            ((one, f"[{number}]: ") for number, one in enumerate(whole)) if isinstance(whole, list) else ((whole, ""),)
        )


def _within(value: object, path: str, full_url: str, depth: int) -> Iterator[ResourceMet]:
    if not isinstance(value, dict) or depth > _DEEPEST:
        return
    kind = value.get("resourceType")
    if not isinstance(kind, str):
        return
    here = path if path.endswith("resource") or "contained[" in path else f"{path}{kind}"
    if kind in ("Bundle", "Parameters"):
        name = "entry" if kind == "Bundle" else "parameter"
        for number, one in _listed(value, name):
            url = one.get("fullUrl") if kind == "Bundle" else ""
            below = f"{here}.{name}[{number}].resource"
            yield from _within(one.get("resource"), below, url if isinstance(url, str) else "", depth + 1)
        return
    yield ResourceMet(value, here, full_url)
    for number, one in _listed(value, "contained"):
        yield from _within(one, f"{here}.contained[{number}]", "", depth + 1)


def _nothing(found: str) -> Problem:
    accepted = "a FHIR R4 Bundle, NDJSON (one resource per line), a list of resources, or one resource, in JSON"
    sentence = f"The file cannot be inspected: found {found}; accepted: {accepted}."
    return Problem(ProblemKind.NOT_JSON, "", found, accepted, sentence)
