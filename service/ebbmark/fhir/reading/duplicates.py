"""Deduplication: one reading of one quantity at one instant, or none.

Readings with the same business identifier, or of the same code, time and device, are one reading. Equal values: one
is used. Different values: the amended or corrected one is used, else none, for nobody here can know which is right.
The rules are ours.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable

from ebbmark.fhir.reading.collected import Collected
from ebbmark.fhir.reading.versions import CORRECTED, left_out
from ebbmark.fhir.reasons import Reason
from ebbmark.fhir.sources import Source

__all__ = ["settle_duplicates"]


def settle_duplicates(collected: Collected) -> None:
    """Leave one reading where there are several, or none."""
    readings = collected.readings
    identifiers = [
        (identifier.system, identifier.value)
        for item in collected.used
        if item.observation.identifier
        for identifier in item.observation.identifier
        if identifier.value
    ]
    removed: set[int] = set()
    if len(set(identifiers)) < len(identifiers):
        removed |= _settle_identified(collected)
    if len({(reading[0], reading[2]) for reading in readings}) < len(readings):
        groups: dict[Hashable, list[int]] = {}
        for number, reading in enumerate(readings):
            if number not in removed:
                device = collected.used[reading.source].observation.device
                variant = collected.variants.get(number, "")
                key = (reading.quantity, variant, reading.start_s, reading.end_s, device.reference if device else "")
                groups.setdefault(key, []).append(number)
        removed |= _settle(groups.values(), collected)
    if removed:
        _remove(removed, collected)


def _settle_identified(collected: Collected) -> set[int]:
    sharing: dict[tuple[str, str], list[int]] = {}
    for place, item in enumerate(collected.used):
        for key in {(one.system, one.value) for one in item.observation.identifier if one.value}:
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
        corrected = [number for number in group if _status(number, collected) in CORRECTED]
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
        corrected = [number for number in group if _status(number, collected) in CORRECTED]
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
    return collected.used[collected.readings[number].source].observation.status


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
        item.observation.encounter.reference if item.observation.encounter else "" for item in collected.used
    }
