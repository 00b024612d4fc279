"""Check a record: connection, sign-in, clock and every search that this service sends; and the report.

Nothing is written here and no patient is read. Each search asks for values that no record holds, so that a record which
honours it answers an empty page. Whether it passes a parameter over is told by the `self` link of the page, by entries
that should not have come, and by the refusal of `Prefer: handling=strict`.

Sources: FHIR R4 search.html#errors (handling=strict), #conformance and http.html#search (the self link names the
parameters that were used); RFC 9110 section 6.6.1 (Date); SMART App Launch 2.2, scopes.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from enum import Enum
from statistics import median
from textwrap import wrap
from urllib.parse import parse_qsl, urlencode, urlsplit

import msgspec

from ebbmark.data import table
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import is_under
from ebbmark.record.retry import CallFailure, Reply, decoded, named_by
from ebbmark.record.search import Page
from ebbmark.record.sign_in import SignIn, SignInFailure


class Verdict(Enum):
    """How one part of the record fared."""

    WORKS = "works"
    LIMITED = "limited"
    FAILS = "fails"
    NOT_CHECKED = "not checked"


@dataclass(frozen=True, slots=True)
class Finding:
    """One part of the record.

    Attributes:
        part: what was looked at, as Connection or Search.
        sentence: what was found, in our own words.
        purpose: what the service needs it for, as a clause that completes "will work: …".
        settings: settings that the finding proposes, by name in the environment.
    """

    part: str
    verdict: Verdict
    sentence: str
    purpose: str = ""
    settings: tuple[tuple[str, str], ...] = ()


@dataclass(slots=True)
class Report:
    """All findings of one check.

    Attributes:
        latencies_s: of every request [s].
        left_behind: references of what a dry run wrote and could not remove.
    """

    base_url: str
    findings: list[Finding] = field(default_factory=list)
    latencies_s: list[float] = field(default_factory=list)
    left_behind: list[str] = field(default_factory=list)

    def add(
        self,
        part: str,
        verdict: Verdict,
        sentence: str,
        purpose: str = "",
        settings: Iterable[tuple[str, str]] = (),
    ) -> None:
        """Add one finding."""
        self.findings.append(Finding(part, verdict, sentence, purpose, tuple(settings)))

    @property
    def fails(self) -> bool:
        """Whether something that the service needs does not work."""
        return any(finding.verdict is Verdict.FAILS for finding in self.findings)

    @property
    def proposed(self) -> dict[str, str]:
        """All settings that the findings propose."""
        return dict(pair for finding in self.findings for pair in finding.settings)


WIDTH = 110
_WORST_FIRST = (Verdict.FAILS, Verdict.LIMITED, Verdict.WORKS, Verdict.NOT_CHECKED)
_HEADINGS = (
    (Verdict.WORKS, "What will work"),
    (Verdict.LIMITED, "What will work with limits, see above"),
    (Verdict.FAILS, "What will not work"),
)


def summary(report: Report) -> str:
    """The report as one page of text."""
    lines = [f"Record: {report.base_url}"]
    if report.latencies_s:
        middle_ms, longest_ms = 1000 * median(report.latencies_s), 1000 * max(report.latencies_s)
        lines.append(f"{len(report.latencies_s)} requests; median {middle_ms:.0f} ms, longest {longest_ms:.0f} ms")
    lines.append("")
    for finding in report.findings:
        head = f"{finding.part:<12} {finding.verdict.value:<12} "
        lines += wrap(finding.sentence, WIDTH, initial_indent=head, subsequent_indent=" " * len(head))
    worst: dict[str, Verdict] = {}
    for finding in report.findings:
        before = worst.get(finding.purpose, Verdict.NOT_CHECKED)
        worst[finding.purpose] = min(finding.verdict, before, key=_WORST_FIRST.index)
    for verdict, heading in _HEADINGS:
        purposes = [purpose for purpose, found in worst.items() if purpose and found is verdict]
        if purposes:
            lines += ["", heading, *[f"  - {purpose}" for purpose in purposes]]
    if report.proposed:
        lines += ["", "Settings proposed"]
        lines += [f"  {name}={value}" for name, value in report.proposed.items()]
    if report.left_behind:
        lines += ["", "Written by this check and not removed (remove it by hand)"]
        lines += [f"  {reference}" for reference in report.left_behind]
    return "\n".join([*lines, ""])


def told(report: Report, form: str) -> str:
    """The report as text, or as JSON."""
    if form == "text":
        return summary(report)
    plain = {**dataclasses.asdict(report), "proposed": report.proposed}
    return msgspec.json.format(msgspec.json.encode(plain), indent=2).decode() + "\n"


_STRICT = {"Prefer": "handling=strict", "Cache-Control": "no-cache"}
MOST_CLOCK_DIFFERENCE_S = 30.0
"""Assertions and tokens are judged with about this leeway [s]; the usual value of EBBMARK_CLOCK_LEEWAY_S."""


@dataclass(frozen=True, slots=True)
class Asking:
    """How requests of a check are sent and timed.

    Attributes:
        steady_s: seconds that never run back.
        wall_s: seconds since 1970-01-01T00:00:00Z.
    """

    record: RecordClient
    report: Report
    steady_s: Callable[[], float]
    wall_s: Callable[[], float]

    async def send(
        self, method: str, target: str, content: bytes = b"", headers: Mapping[str, str] | None = None
    ) -> Reply | CallFailure:
        """One request, its time counted."""
        began_s = self.steady_s()
        answer = await self.record.send(method, target, content=content, headers=headers)
        if isinstance(answer, Reply):
            self.report.latencies_s.append(self.steady_s() - began_s)
        return answer


@dataclass(frozen=True, slots=True)
class _Search:
    """One search of ours.

    Attributes:
        query: parameters, with values that nothing fits.
        without: what is done where the record refuses it, and what is not.
        fails: whether the purpose then fails.
    """

    kind: str
    query: tuple[tuple[str, str], ...]
    purpose: str
    without: str
    fails: bool = False


_WRITE = "writing answers back"
_PAGES = "reading what takes more than one page of the record"
_NO_READING = "no trial is read from the record; requests that bring their data are answered"


class _Capability(msgspec.Struct):
    resourceType: str = ""
    fhirVersion: str = ""


async def check_reading(asking: Asking, *, scope: str) -> bool:
    """Look at connection, sign-in, clock and searches.

    Returns:
        Whether the record answers us at all.
    """
    answer = await asking.send("GET", "metadata?_summary=true")
    if isinstance(answer, CallFailure) and answer not in (CallFailure.SIGN_IN_REFUSED, CallFailure.SIGN_IN_FAILED):
        sentence = f"{answer.words}."
        asking.report.add("Connection", Verdict.FAILS, _capital(sentence), f"the record is not reached: {_NO_READING}")
        return False
    _judge_connection(asking, answer)
    if not await _judge_sign_in(asking, scope):
        return False
    if isinstance(answer, Reply):
        _judge_clock(asking, answer)
    known_as: set[str] = set()
    for row in table("record_searches")["search"]:
        query = tuple((name, value) for name, value in row["query"])
        known_as |= await _judge_search(asking, _Search(**{**row, "query": query}))
    _judge_links(asking, known_as)
    return True


def _judge_links(asking: Asking, known_as: set[str]) -> None:
    """Whether the record's own links can be followed: pages after the first come by them."""
    settings = asking.record.settings
    listed = (settings.base_url, *settings.internal_base_urls)
    strange = sorted(one for one in known_as if not any(is_under(one, base) for base in listed))
    if not strange:
        if known_as:
            asking.report.add("Links", Verdict.WORKS, "The record's links lead below its address.")
        return
    asking.report.add(
        "Links",
        Verdict.FAILS,
        f"The record calls itself {', '.join(strange)} in its links, so that no page after the first can be read: "
        "a trial that fits into one page is read, a longer one is refused. If that is the same server, the setting "
        "below says so.",
        _PAGES,
        [("EBBMARK_RECORD_INTERNAL_BASE_URLS", msgspec.json.encode(strange).decode())],
    )


def _judge_connection(asking: Asking, answer: Reply | CallFailure) -> None:
    if isinstance(answer, CallFailure):
        return
    secure = "over TLS" if asking.record.settings.base_url.startswith("https:") else "without encryption"
    found = decoded(answer, _Capability) if answer.status == 200 else None
    if found is None or found.resourceType != "CapabilityStatement":
        asking.report.add(
            "Base path",
            Verdict.LIMITED,
            f"A server answers {secure}, but GET metadata brought HTTP {answer.status} and no CapabilityStatement: "
            "EBBMARK_RECORD_BASE_URL may name another path than that of FHIR. The lines of Search tell.",
        )
        return
    usable = found.fhirVersion.startswith("4.0")
    asking.report.add(
        "Base path",
        Verdict.WORKS if usable else Verdict.FAILS,
        f"FHIR {found.fhirVersion or 'of no stated version'} answers {secure}; this service speaks 4.0.1 (R4).",
        "" if usable else f"the record speaks another FHIR version: {_NO_READING}",
    )


async def _judge_sign_in(asking: Asking, scope: str) -> bool:
    report, sign_in = asking.report, asking.record.sign_in
    if not isinstance(sign_in, SignIn):
        token = asking.record.settings.bearer_token is not None
        report.add("Sign-in", Verdict.NOT_CHECKED, "A fixed token is sent." if token else "No sign-in is configured.")
        return True
    granted = await sign_in.grant()
    if isinstance(granted, SignInFailure):
        report.add("Sign-in", Verdict.FAILS, granted.sentence, f"we are not let in: {_NO_READING}")
        return False
    missing = not_granted(scope, granted) if granted else []
    if missing:
        named = ", ".join(missing)
        report.add(
            "Sign-in",
            Verdict.LIMITED,
            f"We are let in. Asked for and not granted: {named}: what needs it is refused there.",
        )
    else:
        report.add("Sign-in", Verdict.WORKS, "We are let in, with every scope that was asked for.")
    return True


_V1 = {"read": "rs", "write": "cud", "*": "cruds"}


def not_granted(asked: str, granted: str) -> list[str]:
    """Permissions that were asked for and not granted, as `system/Observation.c`.

    Args:
        granted: scopes, apart by spaces; SMART's first syntax (`.read`) counts, too.

    Source: SMART App Launch 2.2, scopes and launch context (CRUDS suffixes, v1 equivalents).
    """
    have = _permissions(granted)
    missing: dict[str, str] = {}
    for level, kind, letter in _permissions(asked):
        if not {(level, kind, letter), (level, "*", letter)} & set(have):
            missing[f"{level}/{kind}."] = missing.get(f"{level}/{kind}.", "") + letter
    return [head + letters for head, letters in missing.items()]


def _permissions(scopes: str) -> list[tuple[str, str, str]]:
    found = []
    for one in scopes.split():
        level, _, rest = one.partition("/")
        kind, _, letters = rest.partition("?")[0].partition(".")
        found += [(level, kind, letter) for letter in _V1.get(letters, letters)]
    return found


def _judge_clock(asking: Asking, answer: Reply) -> None:
    told = _instant_of(answer.date)
    if told is None:
        asking.report.add("Clock", Verdict.NOT_CHECKED, "The record's replies carry no Date.")
        return
    # The header has whole seconds.
    ahead_s = told.timestamp() + 0.5 - asking.wall_s()
    good = abs(ahead_s) <= MOST_CLOCK_DIFFERENCE_S
    direction = "ahead of" if ahead_s > 0 else "behind"
    words = "agrees with ours within a second" if abs(ahead_s) < 1 else f"is {abs(ahead_s):.0f} s {direction} ours"
    asking.report.add(
        "Clock",
        Verdict.WORKS if good else Verdict.LIMITED,
        f"The record's clock {words}."
        + ("" if good else " Sign-in may be refused, and the latest readings may lie in the future."),
    )


def _instant_of(header: str | None) -> datetime | None:
    try:
        when = parsedate_to_datetime(header or "")
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
    return when if when.tzinfo is not None else when.replace(tzinfo=UTC)


async def _judge_search(asking: Asking, one: _Search) -> set[str]:
    """Judge one search; gives the base addresses that the record's own links name."""
    names = [name for name, _ in one.query]
    shown = f"{one.kind}?{'&'.join(names)}"
    answer = await asking.send("GET", f"{one.kind}?{urlencode(one.query)}&_count=5", headers=_STRICT)
    if isinstance(answer, CallFailure):
        _add(asking, one, f"{shown}: {answer.words}.", refused=True)
        return set()
    page = decoded(answer, Page) if answer.status == 200 else None
    if page is None or page.type != "searchset":
        _add(asking, one, f"{shown}: HTTP {answer.status}{named_by(answer, [one.kind, *names])}.", refused=True)
        return set()
    came = sum(1 for entry in page.entry if entry.resource and entry.search.mode != "outcome")
    links = [link.url for link in page.link if link.relation == "self"]
    used = {name for link in links for name, _ in parse_qsl(urlsplit(link).query)}
    # A relative link says nothing of a name.
    known_as = {link.partition("?")[0].rsplit(f"/{one.kind}", 1)[0] for link in links if "://" in link}
    passed_over = [name for name in names if used and name not in used and name != "_summary"]
    if came or passed_over:
        which = f"passes over {', '.join(passed_over)}" if passed_over else "brings what was not asked for"
        _add(asking, one, f"{shown}: the record {which}.", refused=False)
        return known_as
    said = "" if used else " (its replies have no self link; the empty page counts)"
    # That a search works says nothing of writing: that takes a write that was tried.
    purpose = "" if one.purpose == _WRITE else one.purpose
    asking.report.add("Search", Verdict.WORKS, f"{shown}{said}", purpose)
    return known_as


def _add(asking: Asking, one: _Search, sentence: str, *, refused: bool) -> None:
    # What a record passes over is filtered here again; only what it refuses, and nothing replaces, fails.
    then = one.without if refused else "what comes is filtered here, and more is read"
    verdict = Verdict.FAILS if refused and one.fails else Verdict.LIMITED
    asking.report.add("Search", verdict, f"{sentence} Then {then}.", one.purpose)


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]
