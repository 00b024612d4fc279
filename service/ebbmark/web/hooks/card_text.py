"""The text of a card: the reading of a trial as Markdown (line, reasons and a short list).

Every text that is not written here is escaped: it may hold what somebody typed into a record.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.writing.sentences import weight_sentence
from ebbmark.fhir.writing.titration import with_source
from ebbmark.physiology.advice import Severity
from ebbmark.record.prefetch import UNREAD
from ebbmark.words.messages import InShort, say

_ACTIVE = re.compile(r"([\\`*_{}\[\]<>|~#&@$])")
_SCHEME = re.compile(r":(?=//)")
_WWW = re.compile(r"\bwww\.", re.IGNORECASE)
_LINE_START = re.compile(r"^([-+=])|^(\d{1,9})([.)])(?=\s|$)")


def escaped(text: str) -> str:
    """One line of plain text as Markdown: no mark-up, no link and no HTML can come of it."""
    line = _ACTIVE.sub(r"\\\1", " ".join(text.split()))
    line = _WWW.sub(lambda match: match[0][:-1] + r"\.", _SCHEME.sub(r"\\:", line))
    return _LINE_START.sub(lambda match: f"{match[2] or ''}\\{match[1] or match[3]}", line)


def bold(text: str) -> str:
    """Plain text in bold."""
    return f"**{escaped(text)}**"


def section(heading: str, *paragraphs: str) -> str:
    """A heading in bold and paragraphs that are Markdown already; empty ones are left out, and nothing without any."""
    kept = [paragraph for paragraph in paragraphs if paragraph]
    return "\n\n".join([bold(heading), *kept]) if kept else ""


def bullets(lines: Sequence[str]) -> str:
    """A list of lines that are Markdown already."""
    return "\n".join(f"- {line}" for line in lines)


PRELIMINARY = "short.preliminary"

_MOST_CAUTIONS = 3

LONGEST_SUMMARY = 139
"""The standard wants fewer than 140 characters."""


def summary_of(short: InShort, *, last: str = "Preliminary.") -> str:
    """The line of an answer, as far as it fits below 140 characters."""
    for parts in ((short.sure, short.against), (short.against,), (short.sure,), ()):
        said = " ".join([f"{short.head}.", *[part for part in (*parts, last) if part]])
        if len(said) <= LONGEST_SUMMARY:
            return said
    return said


def detail_of_trial(answer: Answer, lead: str, *, whole: bool) -> str:
    """What a card says of a trial below its summary: the line, the reasons and a short list.

    Args:
        lead: why the card is shown now, as Markdown.
        whole: whether no page can be opened from it, so that the gravest cautions stand on it, too.
    """
    short = answer.short
    first = (
        f"**{say(PRELIMINARY)}** {lead}".strip(),
        bold(short.line),
        bullets([escaped(reason) for reason in short.reasons]),
    )
    listed = _without_page(answer) if whole else ()
    rest = (*listed, escaped(say("card.evidence-in-results" if whole else "card.evidence")), trace(answer))
    return "\n\n".join(part for part in (*first, *rest) if part)


def _without_page(answer: Answer) -> Iterator[str]:
    advice = answer.titration.advice
    own = [caution for caution in advice.cautions if caution.of_this_patient and caution.severity is not Severity.LOW]
    cautions = [f"{bold(one.severity.value)}: {escaped(with_source(one))}" for one in own[:_MOST_CAUTIONS]]
    if len(own) > _MOST_CAUTIONS:
        cautions.append(say("card.further-cautions-stand", count=len(own) - _MOST_CAUTIONS))
    yield bullets(cautions)
    targets = say(
        "card.predicted-body-weight",
        predicted_body_weight_kg=f"{advice.predicted_body_weight_kg:.1f}",
        volume_ml=f"{advice.target.volume_ml:.0f}",
        ml_per_kg=f"{advice.target.ml_per_kg:g}",
    )
    yield escaped(f"{targets} {weight_sentence(answer.request.known_person)}")
    # A part that could not be had is no input that was left out, so that nothing else on the card would tell of it.
    yield escaped(" ".join(note for note in answer.request.notes if note.startswith(UNREAD)))


def trace(answer: Answer) -> str:
    """Which software, rules and answer this is, in one line."""
    protocol = answer.request.protocol
    return escaped(
        say(
            "card.ebbmark-rules-version",
            engine_version=answer.engine_version,
            slug=protocol.slug,
            version=protocol.version,
            identity=answer.identity[:16],
        )
    )


def ago(seconds: float) -> str:
    """How long ago, in words."""
    minutes = round(seconds / 60)
    if minutes < 1:
        return say("card.just-now")
    return say("card.min-ago", minutes=minutes) if minutes < 120 else say("card.h-ago", seconds=f"{seconds / 3600:.0f}")
