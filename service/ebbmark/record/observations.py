"""Which Observations does the record hold for these codes and this time? As it sent them, each version once.

Searched is by `combo-code` (a panel carries its codes in components) and, where a record refuses that parameter, by
`code` and by `component-code`; where it has neither for components, that is told. What comes back is filtered again by
`sieve`, since some records ignore search parameters. Source: FHIR R4 search.html, observation.html#search.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from urllib.parse import quote

from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.codes import CodeRow, HeightKind, SexKind
from ebbmark.record.asked import Asked
from ebbmark.record.client import RecordClient
from ebbmark.record.read_problems import not_read, too_much
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searched_once import PAGE_SIZE, limits_of, searched_once
from ebbmark.record.searching import Budget, Found, FoundEntry, TooMuch, any_of

__all__ = ["NO_COMPONENTS", "PAGE_SIZE", "each_once", "limits_of", "remarks_of", "search_observations", "tokens_of"]

CODES_LENGTH = 1_500
"""Longest list of codes in one search [characters as sent], so that the whole address stays short."""

NO_COMPONENTS = "it cannot be searched by components, so that readings in panels under another code were not read"
"""What is told as a remark of a record that has neither parameter by which a component is found."""

_NO_SUCH_PARAMETER = frozenset({400, 404, 405, 422, 501})


def tokens_of(table: Mapping[tuple[str, str], CodeRow]) -> tuple[list[str], list[str]]:
    """Codes of heights and of sex, and of everything else that is used, as search tokens.

    Args:
        table: the codes that are understood, a site's own among them.
    """
    personal = [
        f"{system}|{code}" for (system, code), row in table.items() if isinstance(row.meaning, HeightKind | SexKind)
    ]
    others = [
        f"{system}|{code}"
        for (system, code), row in table.items()
        if row.meaning is not None and not isinstance(row.meaning, HeightKind | SexKind)
    ]
    return sorted(personal), sorted(others)


async def search_observations(
    record: RecordClient,
    asked: Asked,
    tokens: Sequence[str],
    limits: Sequence[tuple[str, str]],
    *,
    budget: Budget,
    waiting: Waiting,
    parameter: str = "combo-code",
    together: bool = True,
) -> list[Found]:
    """One search for each portion of the codes.

    Args:
        record: the client.
        asked: whose.
        tokens: codes, as search tokens.
        limits: further search parameters.
        budget: what may be read; is counted down.
        waiting: how time passes between attempts.
        parameter: by which the codes are searched for; `combo-code` gives way to `code` and `component-code` where the
            record refuses it.
        together: whether a longer time may be read in its place, for other questions of the same view.

    Raises:
        Rejected: the record failed, or holds too much.
    """
    found = []
    searched = partial(searched_once, record, asked, limits, budget=budget, waiting=waiting, together=together)
    within = True
    for portion in _portions(tokens):
        result = await searched((parameter, any_of(portion)))
        if parameter == "combo-code" and _refuses_the_parameter(result):
            parameter = "code"
            result = await searched((parameter, any_of(portion)))
        found.append(_usable(result))
        if parameter == "code" and within:
            result = await searched(("component-code", any_of(portion)))
            within = not _refuses_the_parameter(result)
            found.append(_usable(result) if within else Found(remarks=[NO_COMPONENTS]))
    return found


def _refuses_the_parameter(result: Found | ReadFailure | TooMuch) -> bool:
    return isinstance(result, ReadFailure) and result.status in _NO_SUCH_PARAMETER


def _usable(result: Found | ReadFailure | TooMuch) -> Found:
    if isinstance(result, TooMuch):
        raise Rejected((too_much(result),))
    if isinstance(result, ReadFailure):
        raise Rejected((not_read("Observations", result),))
    return result


def _portions(tokens: Iterable[str]) -> list[list[str]]:
    portions: list[list[str]] = []
    length = 0
    for token in tokens:
        size = len(quote(token, safe="")) + 3
        if not portions or length + size > CODES_LENGTH:
            portions.append([])
            length = 0
        portions[-1].append(token)
        length += size
    return portions


def each_once(found: Iterable[Found], base: str) -> list[FoundEntry]:
    """An Observation with codes of two portions comes twice; it is one input.

    Args:
        found: the results of several searches.
        base: base address of the record, for entries without a fullUrl.
    """
    seen: dict[tuple[str, str, str], FoundEntry] = {}
    nameless = []
    for entry in (entry for one in found for entry in one.entries):
        if entry.head.id:
            if not entry.full_url:
                entry = FoundEntry(f"{base}/{entry.head.resource_type}/{entry.head.id}", entry.head, entry.resource)
            seen.setdefault((entry.head.resource_type, entry.head.id, entry.head.meta.version_id), entry)
        else:
            nameless.append(entry)
    return [*seen.values(), *nameless]


def remarks_of(found: Iterable[Found]) -> list[str]:
    """What the record said beside the results, as plain sentences."""
    said = sorted({remark for page in found for remark in page.remarks})
    return [f"The record made a remark on the search ({remark})." for remark in said]
