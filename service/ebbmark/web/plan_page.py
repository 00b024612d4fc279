"""The plan as a page to print: one table, no script, its style allowed by hash and nothing else.

Source: Content Security Policy Level 3, section 2.3.1 (hash-source).
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable
from datetime import UTC, datetime
from hashlib import sha256
from html import escape

from ebbmark.fhir.bedside.answer import Answer
from ebbmark.fhir.bedside.write import SIGNING
from ebbmark.physiology.before.plan import Phase, Plan, PlanStep

__all__ = ["PAGE_HEADERS", "plan_page", "wants_page"]

_STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.45 Georgia, "Times New Roman", serif; margin: 2rem auto; max-width: 62rem; padding: 0 1rem; }
h1 { font-size: 1.4rem; margin: 0 0 .2rem; } h2 { font-size: 1.05rem; margin: 1.4rem 0 .3rem; }
.warning { border-left: 4px solid #8a1c1c; padding: .2rem .8rem; margin: .6rem 0; }
table { border-collapse: collapse; width: 100%; } caption { text-align: left; padding: .3rem 0; }
th, td { border: 1px solid #777; padding: .25rem .45rem; text-align: left; vertical-align: top; }
td.number { text-align: right; white-space: nowrap; } .done { width: 4.5rem; }
ul { margin: .2rem 0; padding-left: 1.2rem; } .small { font-size: .85rem; color: #333; }
.sign { margin-top: 2rem; } thead { display: table-header-group; } tr { break-inside: avoid; }
@page { margin: 14mm; } @media print { body { margin: 0; max-width: none; font-size: 10.5pt; } }
""".strip()
_HASH = b64encode(sha256(_STYLE.encode()).digest()).decode()

PAGE_HEADERS = {
    "content-security-policy": (
        f"default-src 'none'; style-src 'sha256-{_HASH}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
}
"""Instead of the policy of every other response, which would forbid the style."""


def wants_page(accept: str | None, wanted_format: str | None) -> bool:
    """Whether the caller asks for a page: text/html stands before any JSON that it takes.

    Args:
        accept: the Accept header.
        wanted_format: the `_format` parameter, which overrides it.
    """
    if wanted_format is not None:
        return wanted_format in ("html", "text/html")
    named = [one.partition(";")[0].strip().lower() for one in (accept or "").split(",")]
    wanted = [one for one in named if one == "text/html" or one.endswith("json")]
    return bool(wanted) and wanted[0] == "text/html"


def plan_page(answer: Answer) -> str:
    """The page, complete.

    Args:
        answer: of `$plan-trial`.
    """
    plan = answer.plan
    assert plan is not None  # noqa: S101 - only that answer comes here
    when = datetime.fromtimestamp(answer.span_s[1], UTC)
    rules = [f"{rule.title} ({rule.slug} version {rule.version}). {rule.citation}" for rule in answer.rules]
    evidence = [f"{line.text} Source: {line.citation}." for line in plan.evidence]
    left_out = [f"{one.reference or one.path}: {one.reason}" for one in answer.request.ignored]
    parts = [
        f"<h1>{escape(plan.title)}</h1>",
        f'<p class="small">Draft for {escape(answer.request.subject)}, {when:%Y-%m-%d %H:%M} UTC. '
        f"{escape(SIGNING)} Local protocol and a licensed clinician decide.</p>",
        f"<p>{escape(plan.summary)}</p>",
        *[f'<p class="warning">{escape(text)}</p>' for text in plan.warnings],
        "<h2>Before the first step</h2>",
        f"<p>{escape(plan.preconditions)}</p>",
        _table(plan),
        "<h2>Stop criteria, at every step</h2>",
        _list((*plan.stops, plan.limits_signature)),
        "<h2>Evidence</h2>",
        _list(evidence),
        *(["<h2>What was sent and did not count</h2>", _list(left_out)] if left_out else []),
        "<h2>Rules</h2>",
        _list(rules),
        '<p class="sign">Read and decided by: ______________________ &nbsp; Date, time: ______________</p>',
        f'<p class="small">Ebbmark {escape(answer.engine_version)}; answer {answer.identity[:16]}</p>',
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(plan.title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(parts)
        + "\n</main>\n</body>\n</html>\n"
    )


def _table(plan: Plan) -> str:
    heads = ("Step", "PEEP", "Above PEEP", "End of inspiration", "Peak", "Time", "Expect and record", "Seen")
    row = "".join(f'<th scope="col">{head}</th>' for head in heads)
    caption = (
        "Pressures in cmH2O. The one at the end of inspiration is PEEP plus the pressure above it; peak is that and "
        "what flow takes in resistance now, and empty where that is not known. About "
        f"{plan.total_s / 60:.0f} minutes in all if every step is taken."
    )
    rows = "\n".join(_row(step, _first_alike(step, plan)) for step in plan.steps)
    return (
        f"<h2>Steps</h2>\n<table>\n<caption>{caption}</caption>\n<thead><tr>{row}</tr></thead>\n"
        f"<tbody>\n{rows}\n</tbody>\n</table>"
    )


def _first_alike(step: PlanStep, plan: Plan) -> int:
    """Number of the first step that says the same: what is said once need not be read six times."""
    said = (step.expect, step.record)
    return next(one.number for one in plan.steps if (one.expect, one.record) == said)


def _row(step: PlanStep, alike: int) -> str:
    minutes = f"{step.dwell_s / 60:g} min" if step.dwell_s else ""
    pressures = (
        step.peep_cmh2o,
        step.pressure_above_peep_cmh2o,
        step.end_inspiratory_cmh2o,
        step.peak_cmh2o,
    )
    numbers = (*map(_number, pressures), minutes)
    cells = "".join(f'<td class="number">{one}</td>' for one in numbers)
    remark = f"<strong>{escape(step.remark)}</strong> " if step.remark else ""
    record = escape("; ".join(step.record))
    said = f'{escape(step.expect)}<br><span class="small">Record: {record}.</span>'
    words = said if alike == step.number else f"As at step {alike}."
    name = f"{step.number}. {_PHASES[step.phase]}"
    return f'<tr><th scope="row">{name}</th>{cells}<td>{remark}{words}</td><td class="done"></td></tr>'


_PHASES = {
    Phase.BEFORE: "now",
    Phase.UP: "up",
    Phase.RECRUITMENT: "recruitment",
    Phase.DESCENT: "down",
    Phase.REOPENING: "re-opening",
    Phase.SET: "set",
}


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _list(items: Iterable[str]) -> str:
    return "<ul>\n" + "\n".join(f"<li>{escape(one)}</li>" for one in items) + "\n</ul>"
