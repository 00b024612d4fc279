"""Deduplication: copies of a resource, readings, and elements that one resource repeats too often.

Of several copies of one logical id the newest version counts; `amended` and `corrected` replace the earlier version of
the same logical id, and R4 has no other link between them. Readings with the same business identifier, or of the same
code, time and device, are one reading. Equal values: one is used. Different values: the amended or corrected one is
used, else none, for nobody here can know which is right. What cannot be decided is left out, with its reason.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/observation.html (status), /resource.html#Meta; the rules are ours.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from typing import Final

from ebbmark.fhir.model import Observation, Patient
from ebbmark.fhir.problems import Problem, ProblemKind, Reason, Source
from ebbmark.fhir.reading.request import Collected, Received, left_out
from ebbmark.fhir.times import seconds

_CORRECTED = frozenset({"amended", "corrected"})


def newest_of(items: Sequence[Received[Observation]], collected: Collected) -> list[Received[Observation]]:
    """One copy per logical id; the copies that it replaces are listed in `collected`."""
    groups: dict[Hashable, list[Received[Observation]]] = {}
    for place, item in enumerate(items):
        groups.setdefault(item.resource.id or place, []).append(item)
    kept: list[Received[Observation]] = []
    for group in groups.values():
        for copies in _by_server(group):
            kept += copies if len(copies) == 1 else _decide(copies, collected)
    return kept


def _by_server(group: list[Received[Observation]]) -> list[list[Received[Observation]]]:
    """Copies that are one resource: the same id on two servers is two resources."""
    servers: dict[str, list[Received[Observation]]] = {}
    for item in group:
        servers.setdefault(item.full_url if item.full_url.startswith("http") else "", []).append(item)
    return [group] if len(servers) - ("" in servers) < 2 else list(servers.values())


def _decide(copies: list[Received[Observation]], collected: Collected) -> list[Received[Observation]]:
    newest, older = _top(copies)
    sentence = "A newer version of this Observation was sent."
    collected.ignored += [left_out(item, Reason.SUPERSEDED, sentence) for item in older]
    if len(newest) == 1:
        return newest
    corrected = [item for item in newest if item.resource.status in _CORRECTED]
    chosen: Received[Observation] | None = None
    if any(item.resource.status == "entered-in-error" for item in newest):
        reason = Reason.ENTERED_IN_ERROR
        sentence = "One copy of this Observation is entered-in-error, and no version says which is newer."
    elif all(item.resource == newest[0].resource for item in newest[1:]):
        chosen, reason = newest[0], Reason.DUPLICATE
        sentence = "The same Observation was sent more than once; one copy was used."
    elif len(corrected) == 1:
        chosen, reason = corrected[0], Reason.SUPERSEDED
        sentence = "An amended or corrected version of this Observation was sent."
    else:
        reason, sentence = Reason.CONFLICT, "Copies of this Observation differ, and no version says which is newer."
    collected.ignored += [left_out(item, reason, sentence) for item in newest if item is not chosen]
    return [chosen] if chosen is not None else []


def _top(copies: list[Received[Observation]]) -> tuple[list[Received[Observation]], list[Received[Observation]]]:
    """The copies of the highest version, and the older ones; all of them where versions cannot be compared."""
    metas = [item.resource.meta for item in copies]
    numbers = [meta.versionId if meta else "" for meta in metas]
    ranks: list[float]
    if all(number.isascii() and number.isdigit() and len(number) < 16 for number in numbers):
        ranks = [float(number) for number in numbers]
    else:
        times = [seconds(meta.lastUpdated) if meta else None for meta in metas]
        ranks = [time for time in times if isinstance(time, float)]
        if len(ranks) < len(copies):
            return copies, []
    highest = max(ranks)
    ranked = list(zip(ranks, copies, strict=True))
    return [item for rank, item in ranked if rank == highest], [item for rank, item in ranked if rank < highest]


def settle_duplicates(collected: Collected) -> None:
    """Leave one reading where there are several, or none."""
    readings = collected.readings
    identifiers = [
        (identifier.system, identifier.value)
        for item in collected.used
        if item.resource.identifier
        for identifier in item.resource.identifier
        if identifier.value
    ]
    removed: set[int] = set()
    if len(set(identifiers)) < len(identifiers):
        removed |= _settle_identified(collected)
    if len({(reading[0], reading[2]) for reading in readings}) < len(readings):
        groups: dict[Hashable, list[int]] = {}
        for number, reading in enumerate(readings):
            if number not in removed:
                device = collected.used[reading.source].resource.device
                variant = collected.variants.get(number, "")
                key = (reading.quantity, variant, reading.start_s, reading.end_s, device.reference if device else "")
                groups.setdefault(key, []).append(number)
        removed |= _settle(groups.values(), collected)
    if removed:
        _remove(removed, collected)


def _settle_identified(collected: Collected) -> set[int]:
    sharing: dict[tuple[str, str], list[int]] = {}
    for place, item in enumerate(collected.used):
        for key in {(one.system, one.value) for one in item.resource.identifier if one.value}:
            sharing.setdefault(key, []).append(place)
    of_source: dict[int, list[int]] = {}
    for number, reading in enumerate(collected.readings):
        of_source.setdefault(reading.source, []).append(number)
    found: dict[tuple[int, ...], None] = {}
    # Several identifiers of the same Observations say the same once.
    for places in {tuple(one): None for one in sharing.values() if len(one) > 1}:
        groups: dict[Hashable, list[int]] = {}
        for place in places:
            for number in of_source.get(place, ()):
                key_of_value = (collected.readings[number].quantity, collected.variants.get(number, ""))
                groups.setdefault(key_of_value, []).append(number)
        found.update(dict.fromkeys(map(tuple, groups.values())))
    at_one_time: list[list[int]] = []
    at_several: list[list[int]] = []
    for group in map(list, found):
        moments = {collected.readings[number][2:4] for number in group}
        (at_one_time if len(moments) == 1 else at_several).append(group)
    removed = _settle(at_one_time, collected)
    for group in at_several:
        corrected = [number for number in group if _status(number, collected) in _CORRECTED]
        if len(corrected) == 1:
            sentence = "An amended or corrected Observation with the same identifier was sent."
            for number in group:
                if number != corrected[0] and number not in removed:
                    _leave_out(number, Reason.SUPERSEDED, sentence, collected)
                    removed.add(number)
        else:
            note = "Observations that share an identifier but differ in time were used as separate readings."
            collected.notes[note] = None
    return removed


def _settle(groups: Iterable[list[int]], collected: Collected) -> set[int]:
    removed: set[int] = set()
    for every in groups:
        group = [number for number in every if number not in removed]
        if len(group) < 2:
            continue
        values = {collected.readings[number].value for number in group}
        corrected = [number for number in group if _status(number, collected) in _CORRECTED]
        if len(values) == 1:
            keep, reason, sentence = group[0], Reason.DUPLICATE, "The same value was sent twice; one was used."
        elif len(corrected) == 1:
            keep, reason = corrected[0], Reason.SUPERSEDED
            sentence = "An amended or corrected value for the same instant was sent."
        else:
            keep, reason, sentence = -1, Reason.CONFLICT, "Two different values were sent for the same instant."
        for number in group:
            if number != keep:
                _leave_out(number, reason, sentence, collected)
                removed.add(number)
    return removed


def _status(number: int, collected: Collected) -> str:
    return collected.used[collected.readings[number].source].resource.status


def _leave_out(number: int, reason: Reason, sentence: str, collected: Collected) -> None:
    item = collected.used[collected.readings[number].source]
    collected.ignored.append(left_out(item, reason, sentence, collected.parts.get(number, "")))


def _remove(removed: set[int], collected: Collected) -> None:
    """Take readings out, and the sources of which nothing is left."""
    kept = [(number, reading) for number, reading in enumerate(collected.readings) if number not in removed]
    living = sorted({reading.source for _, reading in kept})
    place = {old: new for new, old in enumerate(living)}
    texts: dict[int, list[str]] = {}
    for _, reading in kept:
        texts.setdefault(reading.source, []).append(
            f"{reading.quantity.slug}|{reading.value!r}|{reading.quantity.unit}|{reading.start_s!r}|{reading.end_s!r}"
        )
    collected.sources[:] = [
        Source(source.path, source.reference, ";".join(texts[old]))
        for old in living
        for source in (collected.sources[old],)
    ]
    collected.used[:] = [collected.used[old] for old in living]
    collected.parts = {new: collected.parts[old] for new, (old, _) in enumerate(kept) if old in collected.parts}
    collected.variants = {
        new: collected.variants[old] for new, (old, _) in enumerate(kept) if old in collected.variants
    }
    collected.readings[:] = [reading._replace(source=place[reading.source]) for _, reading in kept]
    collected.encounters = {
        item.resource.encounter.reference if item.resource.encounter else "" for item in collected.used
    }


MOST_CODINGS: Final = 20
MOST_IDENTIFIERS: Final = 20
MOST_COMPONENTS: Final = 200
MOST_CONTAINED: Final = 20
MOST_EXTENSIONS: Final = 100
"""An element may be repeated within one resource only so often that work stays bounded by the size of the body: several
times what a real resource holds. This project's choice."""


def too_often(resource: Observation | Patient, path: str) -> Problem | None:
    """The first element of a resource that is repeated more often than is read; None where there is none."""
    if isinstance(resource, Patient):
        return _first(
            (len(resource.identifier), MOST_IDENTIFIERS, f"{path}.identifier"),
            (len(resource.extension), MOST_EXTENSIONS, f"{path}.extension"),
            (max((len(one.extension) for one in resource.extension), default=0), MOST_EXTENSIONS, f"{path}.extension"),
        )
    contained = resource.contained
    return _first(
        (len(resource.identifier), MOST_IDENTIFIERS, f"{path}.identifier"),
        (len(resource.component), MOST_COMPONENTS, f"{path}.component"),
        (len(contained) if isinstance(contained, list) else 0, MOST_CONTAINED, f"{path}.contained"),
        (len(resource.code.coding), MOST_CODINGS, f"{path}.code.coding"),
        *[
            (len(one.code.coding), MOST_CODINGS, f"{path}.component[{number}].code.coding")
            for number, one in enumerate(resource.component)
            if len(one.code.coding) > MOST_CODINGS
        ],
    )


def _first(*counts: tuple[int, int, str]) -> Problem | None:
    for count, most, path in counts:
        if count > most:
            sentence = f"{path} is repeated {count} times; at most {most} are read."
            return Problem(ProblemKind.TOO_MANY_ENTRIES, path, str(count), str(most), sentence)
    return None
