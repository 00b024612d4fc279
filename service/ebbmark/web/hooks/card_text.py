"""The text of a card: the reading of a trial as Markdown (targets, closing, suggestion, what-if, cautions, evidence).

Every text that is not written here is escaped: it may hold what somebody typed into a record.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.writing.account import plain, what_if_table
from ebbmark.fhir.writing.flat_answer import WhatIfRow, view_of
from ebbmark.fhir.writing.sentences import closing_sentence, weight_sentence
from ebbmark.fhir.writing.titration import with_source
from ebbmark.physiology.advice.evidence import EvidenceStatus, evidence_for
from ebbmark.record.prefetch import UNREAD
from ebbmark.words.in_short import InShort
from ebbmark.words.messages import say, spell
from ebbmark.words.numbers import level

__all__ = [
    "EVIDENCE_SHOWN",
    "LONGEST_SUMMARY",
    "PRELIMINARY",
    "ago",
    "bold",
    "bullets",
    "detail_of_trial",
    "escaped",
    "evidence",
    "section",
    "summary_of",
    "table",
    "trace",
]

_ACTIVE = re.compile(r"([\\`*_{}\[\]<>|~#&@$])")
_SCHEME = re.compile(r":(?=//)")
_WWW = re.compile(r"\bwww\.", re.IGNORECASE)
_LINE_START = re.compile(r"^([-+=])|^(\d{1,9})([.)])(?=\s|$)")


def escaped(text: str) -> str:
    """One line of plain text as Markdown: no mark-up, no link and no HTML can come of it.

    Args:
        text: any; line breaks become spaces.
    """
    line = _ACTIVE.sub(r"\\\1", " ".join(text.split()))
    line = _WWW.sub(lambda match: match[0][:-1] + r"\.", _SCHEME.sub(r"\\:", line))
    return _LINE_START.sub(lambda match: f"{match[2] or ''}\\{match[1] or match[3]}", line)


def bold(text: str) -> str:
    """Plain text in bold."""
    return f"**{escaped(text)}**"


def section(heading: str, *paragraphs: str) -> str:
    """A heading in bold and paragraphs that are Markdown already; empty ones are left out, and nothing without any."""
    kept = [one for one in paragraphs if one]
    return "\n\n".join([bold(heading), *kept]) if kept else ""


def bullets(lines: Sequence[str]) -> str:
    """A list of lines that are Markdown already."""
    return "\n".join(f"- {line}" for line in lines)


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table of plain texts, numbers to the right."""
    lines = [
        [escaped(head) for head in heads],
        ["---:"] * len(heads),
        *[[escaped(cell) for cell in row] for row in rows],
    ]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


PRELIMINARY = "short.preliminary"

EVIDENCE_SHOWN = (
    "guideline-ats-2024",
    "guideline-esicm-2023",
    "trial-art-mortality",
    "no-trial-of-this-definition",
    "passive-patient",
    "after-disconnection",
)
"""Lines of the evidence table that stand on a card; the answer itself carries all of them."""

_MOST_CAUTIONS = 12

LONGEST_SUMMARY = 139
"""The standard wants fewer than 140 characters."""


def summary_of(short: InShort, *, last: str = "Preliminary.") -> str:
    """The line of an answer, as far as it fits below 140 characters.

    Args:
        short: the two layers.
        last: what it ends with.
    """
    for parts in ((short.sure, short.against), (short.against,), (short.sure,), ()):
        said = " ".join([f"{short.head}.", *[part for part in (*parts, last) if part]])
        if len(said) <= LONGEST_SUMMARY:
            return said
    return said


def detail_of_trial(answer: Answer, lead: str, *, whole: bool) -> str:
    """What a card says of a trial below its summary: the reasons, and where no page can be opened from it all else.

    Args:
        answer: the reading.
        lead: why the card is shown now, as Markdown.
        whole: whether everything follows the reasons.
    """
    short = answer.short
    first = (
        f"**{say(PRELIMINARY)}** {lead}".strip(),
        bold(short.line),
        bullets([escaped(one) for one in short.reasons]),
    )
    rest = _everything(answer) if whole else (escaped(say("card.evidence")), trace(answer))
    return "\n\n".join(part for part in (*first, *rest) if part)


def _everything(answer: Answer) -> tuple[str, ...]:
    advice, closing = answer.titration.advice, answer.titration.closing
    rungs = ", ".join(
        say("card.kg", ml_per_kg=f"{rung.ml_per_kg:g}", volume_ml=f"{rung.volume_ml:.0f}") for rung in advice.ladder
    )
    targets = say(
        "card.predicted-body-weight",
        predicted_body_weight_kg=f"{advice.predicted_body_weight_kg:.1f}",
        volume_ml=f"{advice.target.volume_ml:.0f}",
        ml_per_kg=f"{advice.target.ml_per_kg:g}",
        rungs=rungs,
    )
    suggested = advice.suggested_peep_cmh2o
    suggestion = f"{bold(f'{level(suggested)} cmH2O.')} " if suggested is not None else "**None.** "
    own = [caution for caution in advice.cautions if caution.of_this_patient]
    cautions = [f"{bold(one.severity.value)}: {escaped(with_source(one))}" for one in own[:_MOST_CAUTIONS]]
    if len(own) > _MOST_CAUTIONS:
        cautions.append(say("card.further-cautions-stand", count=len(own) - _MOST_CAUTIONS))
    return (
        section("Targets", escaped(targets), escaped(weight_sentence(answer.request.known_person))),
        section(say("card.closing-pressure"), escaped(closing_sentence(closing))),
        section(say("card.suggested-peep"), suggestion + escaped(advice.rationale)),
        section(say("card.what-if"), *_what_if(view_of(answer).what_if)),
        section(say("card.cautions-patient"), bullets(cautions)),
        section(say("card.what-published-work"), evidence()),
        section(say("card.how-read"), escaped(_inputs(answer))),
        trace(answer),
    )


def _what_if(rows: Sequence[WhatIfRow]) -> Iterator[str]:
    if not rows:
        return
    shown = what_if_table(rows)
    heads = [f"{head} {unit}".strip() for head, unit in zip(shown.heads, shown.units, strict=True)]
    yield table(heads, shown.rows)
    said: dict[str, list[str]] = {}
    for row in rows:
        said.setdefault(row.remark, []).append(plain(row.peep_cmh2o, None))
    yield bullets(
        [
            say("card.levels-with-remark", listed=", ".join(levels), escaped=escaped(sentence))
            for sentence, levels in said.items()
        ]
    )


def evidence() -> str:
    """The published work that stands on every card, as a list; how closely each line was read is said."""
    lines = []
    for slug in EVIDENCE_SHOWN:
        line = evidence_for(slug)
        read = say("card.read-second-hand") if line.status is EvidenceStatus.VERIFIED_SECOND_HAND else ""
        lines.append(escaped(say("card.source", text=spell(line.text), citation=line.citation.rstrip("."), read=read)))
    return bullets(lines)


def _inputs(answer: Answer) -> str:
    steps, left_out = answer.titration.trial.steps, len(answer.ignored)
    words = say("card.none-left-out") if not left_out else say("card.did-not-count", left_out=left_out)
    # A part that could not be had is no input that was left out, so that nothing else on the card would tell of it.
    unread = [one for one in answer.request.notes if one.startswith(UNREAD)]
    said = say(
        "card.steps-falling-peep",
        count=len(steps),
        peep_cmh2o=level(steps[0].peep_cmh2o),
        peep_cmh2o_2=level(steps[-1].peep_cmh2o),
        count_2=len(answer.request.sources),
        words=words,
    )
    return " ".join((said, *unread))


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
