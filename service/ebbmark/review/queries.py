"""The tables of a report as SQL over the rows of all parts: counts and shares only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ebbmark import __version__

KEPT_CMH2O = 1.0
"""PEEP within so much of the suggestion counts as kept. This project's choice."""


@dataclass(frozen=True, slots=True)
class Query:
    """A table as it is asked for; `group` is the column whose size decides what is hidden, empty to hide nothing."""

    name: str
    title: str
    sql: str
    note: str = ""
    group: str = ""


_KEPT_1H = f"abs(peep_1h_cmh2o - suggested_cmh2o) <= {KEPT_CMH2O}"
_USED = "suggested_cmh2o IS NOT NULL AND peep_1h_cmh2o IS NOT NULL"
_USE = f"""
    count(*) FILTER (suggested_cmh2o IS NOT NULL) AS suggested,
    count(*) FILTER ({_USED}) AS n,
    count(*) FILTER ({_USED} AND {_KEPT_1H}) AS kept_1h,
    count(*) FILTER ({_USED} AND peep_1h_cmh2o < suggested_cmh2o - {KEPT_CMH2O}) AS lower_1h,
    count(*) FILTER ({_USED} AND peep_1h_cmh2o > suggested_cmh2o + {KEPT_CMH2O}) AS higher_1h,
    count(*) FILTER ({_USED} AND abs(peep_24h_cmh2o - suggested_cmh2o) <= {KEPT_CMH2O}) AS kept_24h,
    median(set_after_min) FILTER ({_USED}) AS median_min_to_setting"""

_TITRATIONS = """(SELECT *, stored_suggested_cmh2o AS then_cmh2o, suggested_cmh2o AS now_cmh2o,
    computed AND signature NOT IN ('broken', 'covers-part', 'device-missing') AS compared
    FROM answers WHERE operation = 'titrate-peep')"""
"""What somebody changed afterwards says nothing of an engine."""

QUERIES = (
    Query(
        "overview",
        "What was read",
        """SELECT * FROM (VALUES
            ('patients with a trial', (SELECT count(DISTINCT patient) FROM trials)),
            ('trials', (SELECT count(*) FROM trials)),
            ('trials with a suggested PEEP', (SELECT count(*) FROM trials WHERE outcome = 'suggested')),
            ('trials that cannot be answered', (SELECT count(*) FROM trials WHERE outcome = 'refused')),
            ('trials for which an answer is stored', (SELECT count(*) FROM trials WHERE stored)),
            ('stored answers', (SELECT count(*) FROM answers)),
            ('stored answers that follow from their inputs', (SELECT count(*) FROM answers WHERE outcome IN
                ('same', 'same-within-rounding'))),
            ('stored answers whose signature does not fit, or covers a part only', (SELECT count(*) FROM answers WHERE
                signature IN ('broken', 'covers-part'))),
            ('stored answers whose signature cannot be checked: none, no key, no Device', (SELECT count(*) FROM answers
                WHERE signature IN ('absent', 'unknown-key', 'device-missing'))),
            ('things listed as not used', (SELECT count(*) FROM listed))) AS t(what, n)""",
    ),
    Query(
        "replay",
        "Do stored answers still follow from their inputs?",
        "SELECT operation, outcome, signature, count(*) AS n FROM answers GROUP BY ALL ORDER BY ALL",
        "same: every value, byte for byte. same-within-rounding: computed by another engine. inputs-amended: an input "
        "was changed after the answer. not-replayable: given under a charting table of the site that is not at hand. "
        "different: a value of the answer does not follow from its inputs.",
    ),
    Query(
        "engines",
        "Stored titrations under this version of the software",
        f"""SELECT engine, count(*) AS n,
            count(*) FILTER (compared AND now_cmh2o IS NOT DISTINCT FROM then_cmh2o) AS same_number,
            count(*) FILTER (compared AND now_cmh2o != then_cmh2o) AS other_number,
            count(*) FILTER (compared AND now_cmh2o IS NOT NULL AND then_cmh2o IS NULL) AS number_gained,
            count(*) FILTER (compared AND now_cmh2o IS NULL AND then_cmh2o IS NOT NULL) AS number_lost,
            count(*) FILTER (compared AND closing_cmh2o IS DISTINCT FROM stored_closing_cmh2o) AS other_closing,
            count(*) FILTER (NOT compared) AS not_compared
        FROM {_TITRATIONS} GROUP BY engine ORDER BY engine""",  # noqa: S608
        f"Each is computed again, from the inputs that it names, by version {__version__}; engine: the version that "
        "gave it. Not compared: whose signature does not fit, or that cannot be computed here.",
        "n",
    ),
    Query(
        "engines_by_how_much",
        "By how much this version would suggest another PEEP",
        f"""SELECT engine, now_cmh2o - then_cmh2o AS difference_cmh2o, count(*) AS n FROM {_TITRATIONS}
        WHERE compared AND now_cmh2o IS NOT NULL AND then_cmh2o IS NOT NULL GROUP BY ALL ORDER BY ALL""",  # noqa: S608
        group="n",
    ),
    Query(
        "outcomes",
        "What trials gave, by unit",
        """SELECT unit, count(*) AS n, count(*) FILTER (outcome = 'suggested') AS suggested,
            count(*) FILTER (outcome = 'withheld') AS withheld,
            count(*) FILTER (outcome = 'not-reached') AS not_reached,
            count(*) FILTER (outcome = 'falling-from-first-step') AS falling_from_first_step,
            count(*) FILTER (outcome = 'indeterminate') AS indeterminate,
            count(*) FILTER (outcome = 'refused') AS refused, count(*) FILTER (stored) AS stored
        FROM trials GROUP BY unit ORDER BY unit""",
        "Every trial in the data, whether or not an answer was asked for, read as the service reads it.",
        "n",
    ),
    Query(
        "by_month",
        "Trials and answers, by unit and month",
        """SELECT unit, month, count(*) AS n, count(*) FILTER (outcome = 'suggested') AS suggested,
            count(*) FILTER (kind LIKE 'static%') AS with_plateau, sum(left_out) AS inputs_left_out
        FROM trials GROUP BY unit, month ORDER BY unit, month""",
        group="n",
    ),
    Query(
        "why_no_number",
        "Why there is no number",
        """SELECT outcome, why, count(*) AS n FROM trials WHERE outcome != 'suggested'
        GROUP BY ALL ORDER BY n DESC, outcome, why""",
        group="n",
    ),
    Query(
        "cautions",
        "Findings of high weight, or that withhold the number",
        """SELECT caution, count(*) AS n FROM (SELECT unnest(string_split(cautions, ', ')) AS caution FROM trials)
        WHERE caution != '' GROUP BY caution ORDER BY n DESC, caution""",
        group="n",
    ),
    Query(
        "left_out",
        "Inputs that did not count, by reason",
        "SELECT reason, sum(inputs)::BIGINT AS n FROM left_out GROUP BY reason ORDER BY n DESC, reason",
        group="n",
    ),
    Query(
        "what_if",
        "The same trials under the other protocol",
        """SELECT outcome, other_outcome, count(*) AS n,
            count(*) FILTER (suggested_cmh2o IS DISTINCT FROM other_suggested_cmh2o) AS other_number
        FROM trials GROUP BY ALL ORDER BY ALL""",
        group="n",
    ),
    Query(
        "what_if_by_how_much",
        "By how much the suggested PEEP would differ",
        """SELECT other_suggested_cmh2o - suggested_cmh2o AS difference_cmh2o, count(*) AS n FROM trials
        WHERE suggested_cmh2o IS NOT NULL AND other_suggested_cmh2o IS NOT NULL GROUP BY ALL ORDER BY ALL""",
        group="n",
    ),
    Query(
        "use",
        "PEEP after the trial, by unit",
        f"SELECT unit, {_USE} FROM trials GROUP BY unit ORDER BY unit",  # noqa: S608
        f"Against the PEEP that the trial suggests, whether or not anybody saw it; within {KEPT_CMH2O:g} cmH2O counts "
        "as kept. n: trials with a suggestion and a PEEP charted within four hours before that time.",
        "n",
    ),
    Query(
        "oxygenation",
        "Closing by compliance less closing by oxygenation",
        """SELECT oxygenation_by AS marker, closing_cmh2o - oxygenation_cmh2o AS difference_cmh2o, count(*) AS n
        FROM trials WHERE closing_cmh2o IS NOT NULL AND oxygenation_cmh2o IS NOT NULL GROUP BY ALL ORDER BY ALL""",
        "Where the gas or the saturation of the same steps names a level. Above 0: compliance fell at a higher PEEP.",
        "n",
    ),
    Query(
        "listed",
        "What was not used, and why",
        "SELECT why, what, count(*) AS n FROM listed GROUP BY ALL ORDER BY n DESC, why, what",
        "A line that could not be read stands with its file and place in listed_lines.csv.",
    ),
    Query(
        "listed_lines",
        "Each line that was not used",
        "SELECT file, place, why, what FROM listed ORDER BY ALL",
    ),
    Query(
        "cases",
        "Cases to look at",
        """SELECT operation, outcome, signature, unit, ended, where_first, findings, patient, answer FROM answers
        WHERE outcome NOT IN ('same', 'same-within-rounding') OR signature IN ('broken', 'covers-part')
        ORDER BY outcome, signature, ended, answer""",
        "Answers that do not follow from their inputs, whose inputs were amended, or whose signature does not fit.",
    ),
    Query(
        "cases_engine",
        "Stored titrations whose number this version would change",
        f"""SELECT engine, unit, ended, then_cmh2o, now_cmh2o, stored_closing_cmh2o, closing_cmh2o, patient, answer
        FROM {_TITRATIONS} WHERE compared AND now_cmh2o IS DISTINCT FROM then_cmh2o
        ORDER BY abs(now_cmh2o - then_cmh2o) DESC NULLS FIRST, ended, answer LIMIT 100""",  # noqa: S608
        "A number gained or lost first, then by how far it moved; the first 100.",
    ),
    Query(
        "cases_other",
        "Trials whose number would change most under the other protocol",
        """SELECT patient, unit, ended, outcome, suggested_cmh2o, other_outcome, other_suggested_cmh2o FROM trials
        WHERE (outcome = 'suggested') != (other_outcome = 'suggested')
            OR abs(suggested_cmh2o - other_suggested_cmh2o) > 2
        ORDER BY ended, patient LIMIT 100""",
        "A number gained, lost, or moved by more than 2 cmH2O; the first 100.",
    ),
    Query("answers", "Every stored answer", "SELECT * FROM answers ORDER BY ALL"),
    Query("trials", "Every trial", "SELECT * EXCLUDE (week) FROM trials ORDER BY ALL"),
)
ROWS_ONLY = frozenset({"answers", "trials", "listed_lines"})
"""Tables that are written as files and not shown on the page."""
OF_SINGLE = frozenset({"answers", "trials", "cases", "cases_engine", "cases_other"})
"""Tables that name single patients or answers."""

SERIES = {
    "share answered with a number": "avg((outcome = 'suggested')::INTEGER)",
    "share with plateau pressure": "avg((kind LIKE 'static%')::INTEGER)",
    "share kept after one hour": f"avg(({_KEPT_1H})::INTEGER) FILTER ({_USED})",
    "mean closing pressure (cmH2O)": "avg(closing_cmh2o)",
    "mean suggested PEEP (cmH2O)": "avg(suggested_cmh2o)",
    "inputs left out per trial": "avg(left_out)",
}
"""What is looked at for change over time."""


def series_query(name: str, period: str, since: str) -> Query:
    """Each series over time."""
    series = ", ".join(f'{sql} AS "{name}"' for name, sql in SERIES.items())
    return Query(
        "over_time",
        f"Over time, by {name}",
        f"""SELECT {since} AS since, count(*) AS n, {series} FROM trials
        GROUP BY {period} ORDER BY {period}""",  # noqa: S608
        group="n",
    )


def periods_query(second_from: str) -> Query:
    """Two periods side by side."""
    return Query(
        "periods",
        f"Before {second_from}, and from {second_from} on",
        f"""SELECT CASE WHEN month < '{second_from}' THEN 'before' ELSE 'from then on' END AS period,
            count(*) AS trials,
            count(*) FILTER (outcome = 'suggested') AS with_number, avg(closing_cmh2o) AS mean_closing_cmh2o,
            {_USE} FROM trials GROUP BY period ORDER BY period""",  # noqa: S608
        "Two periods side by side. What differs between them may have many causes.",
        "trials",
    )


COLUMNS: Mapping[str, Mapping[str, str]] = {
    "answers": {
        "patient": "VARCHAR", "unit": "VARCHAR", "month": "VARCHAR", "ended": "VARCHAR", "operation": "VARCHAR",
        "answer": "VARCHAR",
        "outcome": "VARCHAR", "amended": "BOOLEAN", "signature": "VARCHAR", "engine": "VARCHAR",
        "findings": "VARCHAR", "where_first": "VARCHAR", "computed": "BOOLEAN",
        "stored_suggested_cmh2o": "DOUBLE", "suggested_cmh2o": "DOUBLE",
        "stored_closing_cmh2o": "DOUBLE", "closing_cmh2o": "DOUBLE",
    },
    "trials": {
        "patient": "VARCHAR", "unit": "VARCHAR", "month": "VARCHAR", "week": "VARCHAR", "ended": "VARCHAR",
        "steps": "INTEGER", "kind": "VARCHAR", "outcome": "VARCHAR", "why": "VARCHAR", "cautions": "VARCHAR",
        "closing_cmh2o": "DOUBLE", "suggested_cmh2o": "DOUBLE", "other_outcome": "VARCHAR",
        "other_closing_cmh2o": "DOUBLE", "other_suggested_cmh2o": "DOUBLE", "stored": "BOOLEAN",
        "set_after_min": "DOUBLE", "peep_1h_cmh2o": "DOUBLE", "peep_24h_cmh2o": "DOUBLE",
        "oxygenation_cmh2o": "DOUBLE", "oxygenation_by": "VARCHAR", "left_out": "INTEGER",
    },
    "left_out": {
        "unit": "VARCHAR", "month": "VARCHAR", "reason": "VARCHAR", "inputs": "INTEGER",
    },
    "listed": {"file": "VARCHAR", "place": "BIGINT", "why": "VARCHAR", "what": "VARCHAR"},
}  # fmt: skip
"""Columns of each table of rows, with their types in SQL."""
