"""The newest version of each logical id, where several copies were sent.

`amended` and `corrected` replace the earlier version of the same logical id; R4 has no other link between them.
What cannot be decided is not guessed: every copy is left out, with its reason.
Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/observation.html (status), /resource.html#Meta; the rules are ours.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import msgspec

from ebbmark.fhir.model import Observation
from ebbmark.fhir.naming import reference_to
from ebbmark.fhir.sources import Ignored, Reason
from ebbmark.fhir.times import seconds

__all__ = ["CORRECTED", "Received", "left_out", "newest_of", "reference_of"]

CORRECTED = frozenset({"amended", "corrected"})


class Received(msgspec.Struct, frozen=True, gc=False):
    """One Observation as it came: with its FHIRPath and its fullUrl, which may be empty."""

    observation: Observation
    path: str
    full_url: str


def reference_of(received: Received) -> str:
    """How results name this Observation."""
    observation = received.observation
    version = observation.meta.versionId if observation.meta else ""
    return reference_to("Observation", observation.id, version, received.full_url)


def newest_of(items: Sequence[Received]) -> tuple[list[Received], list[Ignored]]:
    """One copy per logical id, and the copies that it replaces."""
    groups: dict[Hashable, list[Received]] = {}
    for place, item in enumerate(items):
        groups.setdefault(item.observation.id or place, []).append(item)
    kept: list[Received] = []
    ignored: list[Ignored] = []
    for group in groups.values():
        for copies in _by_server(group):
            chosen, gone = ([*copies], []) if len(copies) == 1 else _decide(copies)
            kept += chosen
            ignored += gone
    return kept, ignored


def _by_server(group: list[Received]) -> list[list[Received]]:
    """Copies that are one resource: the same id on two servers is two resources."""
    servers: dict[str, list[Received]] = {}
    for item in group:
        servers.setdefault(item.full_url if item.full_url.startswith("http") else "", []).append(item)
    return [group] if len(servers) - ("" in servers) < 2 else list(servers.values())


def _decide(copies: list[Received]) -> tuple[list[Received], list[Ignored]]:
    newest, older = _top(copies)
    replaced = [left_out(item, Reason.SUPERSEDED, "A newer version of this Observation was sent.") for item in older]
    first = newest[0]
    if len(newest) == 1:
        return [first], replaced
    rest = newest[1:]
    if any(item.observation.status == "entered-in-error" for item in newest):
        sentence = "One copy of this Observation is entered-in-error, and no version says which is newer."
        return [], replaced + [left_out(item, Reason.ENTERED_IN_ERROR, sentence) for item in newest]
    if all(item.observation == first.observation for item in rest):
        sentence = "The same Observation was sent more than once; one copy was used."
        return [first], replaced + [left_out(item, Reason.DUPLICATE, sentence) for item in rest]
    corrected = [item for item in newest if item.observation.status in CORRECTED]
    if len(corrected) == 1:
        others = [item for item in newest if item is not corrected[0]]
        sentence = "An amended or corrected version of this Observation was sent."
        return corrected, replaced + [left_out(item, Reason.SUPERSEDED, sentence) for item in others]
    sentence = "Copies of this Observation differ, and no version says which is newer."
    return [], replaced + [left_out(item, Reason.CONFLICT, sentence) for item in newest]


def _top(copies: list[Received]) -> tuple[list[Received], list[Received]]:
    """The copies of the highest version, and the older ones; all of them where versions cannot be compared."""
    metas = [item.observation.meta for item in copies]
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


def left_out(item: Received, reason: Reason, sentence: str, part: str = "") -> Ignored:
    """This Observation, or a part of it, as an input that does not count."""
    return Ignored(item.path + part, reference_of(item), reason.slug, sentence)
