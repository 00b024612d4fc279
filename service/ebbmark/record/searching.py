"""What does a search of the record bring, over all its pages?

Pages are followed only below the record's own base address, each once, and never past the budget: a result that was
cut short would look like a whole one. Sources: FHIR R4 search.html, http.html#paging (link `next`, POST `_search`),
bundle.html (search.mode `outcome`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from urllib.parse import urlencode

import msgspec

from ebbmark.record.client import RecordClient
from ebbmark.record.reading import ReadFailure, Waiting, read_json

__all__ = ["FRESH", "Budget", "Found", "FoundEntry", "Head", "Page", "TooMuch", "any_of", "search", "take"]

LONGEST_QUERY = 1_900
"""Longest query that goes into an address [characters]; a longer one is posted. Common practice, no published source:
some gateways cut addresses of more than 2,000 characters."""

FRESH = {"Cache-Control": "no-cache"}
"""Some records answer a search from one that they made up to a minute ago; RFC 9111 section 5.2.1.4."""

_ISSUE_WORDS = frozenset({"information", "warning"})


@dataclass(slots=True)
class Budget:
    """What may still be read; one for all searches of one question, counted down as they go.

    Attributes:
        requests: pages and single reads.
        resources: entries of all pages.
        size_bytes: of all resources.
    """

    requests: int = 60
    resources: int = 5_000
    size_bytes: int = 20_000_000


@dataclass(frozen=True, slots=True)
class TooMuch:
    """The record holds more than may be read; what was read so far is not used. The sentence says of what."""

    sentence: str


class Meta(msgspec.Struct, frozen=True, rename="camel"):
    """Version and time of the last change."""

    version_id: str = ""
    last_updated: str = ""


class Head(msgspec.Struct, frozen=True, rename="camel"):
    """What every resource has."""

    resource_type: str
    id: str = ""
    meta: Meta = Meta()


class FoundEntry(msgspec.Struct, frozen=True):
    """One resource as the record sent it, byte for byte."""

    full_url: str
    head: Head
    resource: bytes


@dataclass(slots=True)
class Found:
    """All pages together.

    Attributes:
        entries: each version of a resource once, in the order received.
        remarks: what the record said beside them: severity and issue type, never its text.
        pages: how many were read.
    """

    entries: list[FoundEntry] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    pages: int = 0


class _Link(msgspec.Struct):
    relation: str = ""
    url: str = ""


class _Search(msgspec.Struct):
    mode: str = ""


class _Entry(msgspec.Struct, rename="camel"):
    full_url: str = ""
    resource: msgspec.Raw = msgspec.Raw(b"")
    search: _Search = msgspec.field(default_factory=_Search)


class Page(msgspec.Struct, tag_field="resourceType", tag="Bundle"):
    """One page of the results of a search."""

    type: str
    total: int | None = None
    link: list[_Link] = []
    entry: list[_Entry] = []

    @property
    def following(self) -> str:
        """Address of the next page; empty where this is the last one."""
        return next((link.url for link in self.link if link.relation == "next" and link.url), "")


class _Issue(msgspec.Struct):
    severity: str = ""
    code: str = ""


class _Outcome(msgspec.Struct):
    issue: list[_Issue] = []


def any_of(values: Sequence[str]) -> str:
    """A list of alternatives as one search value."""
    # FHIR R4 search.html#escaping: a comma within a value is escaped.
    return ",".join(value.replace("\\", "\\\\").replace(",", "\\,").replace("$", "\\$") for value in values)


async def search(
    record: RecordClient, kind: str, query: Sequence[tuple[str, str]], *, budget: Budget, waiting: Waiting
) -> Found | ReadFailure | TooMuch:
    """Search for resources and read every page.

    Args:
        record: the client.
        kind: resource type.
        query: search parameters; the record may ignore some, so that the caller filters again.
        budget: what may still be read; is counted down.
        waiting: how time passes between attempts.
    """
    found = Found()
    seen: set[tuple[str, str, str]] = set()
    text = urlencode(query)
    target, form = (f"{kind}?{text}", None) if len(text) <= LONGEST_QUERY else (f"{kind}/_search", text.encode())
    visited: set[str] = set()
    while True:
        if budget.requests <= 0:
            return TooMuch("more pages than may be read")
        budget.requests -= 1
        page = await read_json(record, target, Page, waiting=waiting, form=form, headers=FRESH)
        if isinstance(page, ReadFailure):
            return page
        if page.type != "searchset":
            return ReadFailure("the reply to a search was not a searchset", 200)
        found.pages += 1
        if found.pages == 1 and (page.total or 0) > budget.resources:
            return TooMuch("more resources than may be read")
        failure = take(page, found, seen, budget)
        if failure is not None:
            return failure
        following = page.following
        if not following:
            return found
        if following in visited:
            return ReadFailure("the record's pages lead back to one that was read already", 200)
        visited.add(following)
        target, form = following, None


def take(page: Page, found: Found, seen: set[tuple[str, str, str]], budget: Budget) -> ReadFailure | TooMuch | None:
    """Add the entries of one page to what was found.

    Args:
        page: as the record sent it.
        found: is added to.
        seen: type, id and version of what is there already; is added to.
        budget: what may still be read; is counted down.

    Returns:
        Why the page cannot be used, or None.
    """
    for entry in page.entry:
        if not entry.resource:
            continue
        resource = bytes(entry.resource)
        budget.resources -= 1
        budget.size_bytes -= len(resource)
        if budget.resources < 0 or budget.size_bytes < 0:
            return TooMuch("more resources, or longer ones, than may be read")
        try:
            head = msgspec.json.decode(resource, type=Head)
            outcome = entry.search.mode == "outcome" or head.resource_type == "OperationOutcome"
            remarks = msgspec.json.decode(resource, type=_Outcome).issue if outcome else None
        except msgspec.DecodeError:
            return ReadFailure("an entry of the reply is not a resource", 200)
        if remarks is not None:
            bad = [issue for issue in remarks if issue.severity not in _ISSUE_WORDS]
            if bad:
                return ReadFailure("the record says within its reply that the search failed in part", 200)
            found.remarks += [f"{issue.severity}, {_code(issue.code)}" for issue in remarks]
            continue
        key = (head.resource_type, head.id, head.meta.version_id)
        # Pages that shift while they are read bring the same version twice: that is one input, not two.
        if head.id and key in seen:
            continue
        seen.add(key)
        found.entries.append(FoundEntry(entry.full_url, head, resource))
    return None


def _code(text: str) -> str:
    return text if text.replace("-", "").isalpha() and len(text) <= 40 else "no code"
