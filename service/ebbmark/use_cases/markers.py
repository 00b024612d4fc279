"""Where would other markers put the closing point, and what would the published PEEP/FiO2 tables set?"""

from __future__ import annotations

from ebbmark.fhir.answer import FRACTION, PRESSURE, RATIO, VOLUME, Amount, Answer, Coded, Part, Rule, Statement, Truth
from ebbmark.fhir.operations import RELEASE
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import Request, Site
from ebbmark.fhir.writing.sentences import closing_sentence
from ebbmark.physiology.after.markers import (
    PEEP_TABLES,
    Marker,
    Markers,
    TableAnswer,
    look_up,
    read_markers,
    recruitment_to_inflation,
)
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.timeline import FIO2, in_force_at
from ebbmark.use_cases.answer_builder import answered, rule_of
from ebbmark.use_cases.trial_and_patient import beyond_in_trial, judged_closing, look_in_short, the_trial, titration_of
from ebbmark.words.after_trial import markers_in_short
from ebbmark.words.messages import say, spell, spelled

OPERATION = "compare-markers"


def markers_answer(request: Request, _: Site) -> Answer:
    """Answer `$compare-markers`.

    Raises:
        Rejected: the readings hold no decremental limb.
    """
    release = _release(request)
    trial = the_trial(request)
    closing = judged_closing(trial, request)
    findings = titration_of(trial, request).findings if request.person is not None else ()
    beyond = beyond_in_trial(findings)
    markers = read_markers(request.readings, trial, closing)
    in_use = in_force_at(request.readings, FIO2, trial.steps[-1].end_s)
    fio2 = in_use.reading
    looked_up = [look_up(table, fio2.value) for table in PEEP_TABLES] if fio2 is not None else []
    listed = [_marker(marker) for marker in markers.markers]
    tables = [_table(one, fio2) for one in looked_up if fio2 is not None]
    no_fio2 = ""
    if fio2 is None:
        no_fio2 = say("peep-table.fio2-not-known", why=spell(in_use.why_not))
    return answered(
        OPERATION,
        request,
        short=markers_in_short(markers, closing, looked_up, look=look_in_short(findings)),
        said=(
            beyond,
            spell(markers.sentence),
            closing_sentence(closing),
            *[spelled(marker.sentences) for marker in markers.markers],
            *[spell(one) for one in markers.not_recorded],
            *[spell(one.sentence) for one in looked_up],
            no_fio2,
            *[one.note for one in release],
        ),
        statements=[_agreement(markers, tuple(one.kind for one in listed)), *listed, *release, *tables],
        rules=(
            rule_of(request.protocol),
            *[Rule(one.slug, one.version, one.title, one.citation) for one in PEEP_TABLES],
        ),
        values=(request.protocol,),
        span_s=(trial.steps[0].start_s, trial.steps[-1].end_s),
        dated=False,
        more_would_help=bool(markers.not_recorded or no_fio2),
    )


def _release(request: Request) -> list[Statement]:
    """The recruitment-to-inflation ratio, where its five values were sent.

    Raises:
        Rejected: some of them were sent, or they cannot be.
    """
    asked = request.asked
    released, usual, compliance = asked.released_ml, asked.usual_volume_ml, asked.compliance_at_low_peep_ml_per_cmh2o
    high, low = asked.release_high_peep_cmh2o, asked.release_low_peep_cmh2o
    if released is None and usual is None and compliance is None and high is None and low is None:
        return []
    accepted = f"all of {', '.join(RELEASE)}, the first PEEP above the second"
    if released is None or usual is None or compliance is None or high is None or low is None or high <= low:
        sentence = f"The recruitment-to-inflation ratio needs {accepted}."
        raise Rejected((Problem(ProblemKind.BAD_PARAMETER, "", "other values", accepted, sentence),), request.ignored)
    found = recruitment_to_inflation(
        released_ml=released,
        usual_tidal_volume_ml=usual,
        compliance_at_low_peep_ml_per_cmh2o=compliance,
        high_peep_cmh2o=high,
        low_peep_cmh2o=low,
    )
    return [
        Statement(
            kind="recruitment-to-inflation",
            code="recruitment-to-inflation",
            value=Amount(found.ratio, RATIO),
            note=spell(found.sentence),
            method=found.citation,
            parts=(("recruited-volume", Amount(found.recruited_ml, VOLUME)),),
        )
    ]


def _agreement(markers: Markers, members: tuple[str, ...]) -> Statement:
    return Statement(
        kind="markers-agree",
        code="markers-agree",
        value=Truth(markers.agree) if markers.agree is not None else None,
        note=spell(markers.sentence),
        members=members,
    )


def _marker(one: Marker) -> Statement:
    return Statement(
        kind=f"marker-{one.slug}",
        code=f"marker-{one.slug}",
        value=Amount(one.peep_cmh2o, PRESSURE) if one.peep_cmh2o is not None else None,
        note=spelled(one.sentences),
        method=f"{spell(one.rule)}; {one.citation}",
        sources=one.sources,
        parts=(("marker-meaning", Coded(one.meaning.value)),),
    )


def _table(one: TableAnswer, fio2: Reading) -> Statement:
    bounds: list[Part] = []
    if one.lowest_cmh2o is not None and one.highest_cmh2o is not None:
        bounds = [
            ("table-peep-low", Amount(one.lowest_cmh2o, PRESSURE)),
            ("table-peep-high", Amount(one.highest_cmh2o, PRESSURE)),
        ]
    return Statement(
        kind=f"table-{one.table}",
        code=f"table-{one.table}",
        value=Truth(bool(bounds)),
        note=spell(one.sentence),
        method=one.citation,
        sources=(fio2.source,),
        parts=(("table-fio2", Amount(one.fio2, FRACTION)), *bounds),
        span_s=(fio2.start_s, fio2.end_s),
    )
