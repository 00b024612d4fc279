"""The likeliest quantity of a code that nobody has mapped: by its words, unit, range and what was charted beside it.

A proposal for a person who corrects it, never a reading: the draft ConceptMap says `relatedto`, which is not read here.
The words are common practice (English and German), no published source; usual ranges and weights are this project's
choice. That plateau pressure lies between PEEP and peak pressure is arithmetic of the breath.
Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/conceptmap.html and /codesystem-concept-map-equivalence.html.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from ebbmark.fhir.inspection.tally import CodeMet, Tally
from ebbmark.fhir.reading.codes import OWN_QUANTITIES, RANGES, HeightKind
from ebbmark.fhir.reading.units import Conversion, UnitFault, UnitProblem, conversion
from ebbmark.physiology.mechanics import ACCEPTED_HEIGHT_RANGE_CM
from ebbmark.physiology.readings import Quantity

_Q = Quantity

USUAL: Mapping[Quantity, tuple[float, float]] = {
    _Q.PEEP_SET: (0, 30),
    _Q.PEEP_MEASURED: (0, 30),
    _Q.PEEP_TOTAL: (0, 35),
    _Q.PEEP_INTRINSIC: (0, 20),
    _Q.PEAK_PRESSURE: (8, 70),
    _Q.PLATEAU_PRESSURE: (8, 50),
    _Q.DRIVING_PRESSURE: (3, 35),
    _Q.PRESSURE_ABOVE_PEEP_SET: (2, 40),
    _Q.PRESSURE_SUPPORT_SET: (0, 30),
    _Q.MEAN_AIRWAY_PRESSURE: (3, 40),
    _Q.TIDAL_VOLUME_SET: (150, 900),
    _Q.TIDAL_VOLUME_EXPIRED: (100, 1200),
    _Q.TIDAL_VOLUME_INSPIRED: (100, 1200),
    _Q.TIDAL_VOLUME_UNSTATED: (100, 1200),
    _Q.COMPLIANCE_STATIC: (5, 150),
    _Q.COMPLIANCE_DYNAMIC: (5, 150),
    _Q.RESISTANCE: (2, 60),
    _Q.RESPIRATORY_RATE_SET: (4, 45),
    _Q.RESPIRATORY_RATE: (4, 60),
    _Q.RESPIRATORY_RATE_SPONTANEOUS: (0, 60),
    _Q.INSPIRATORY_TIME_SET: (0.3, 4),
    _Q.MINUTE_VOLUME_EXPIRED: (1, 30),
    _Q.FIO2_SET: (0.21, 1),
    _Q.FIO2_MEASURED: (0.18, 1),
    _Q.SPO2: (60, 100),
    _Q.PAO2: (30, 500),
    _Q.PACO2: (15, 130),
    _Q.END_TIDAL_CO2: (5, 100),
    _Q.PH: (6.8, 7.8),
    _Q.MEAN_ARTERIAL_PRESSURE: (30, 160),
    _Q.SYSTOLIC_ARTERIAL_PRESSURE: (50, 250),
    _Q.HEART_RATE: (25, 220),
}
"""Where most values of an adult lie, in our unit; narrower than what is accepted."""

_SET = r"\b(set|setting|sp|soll|eingestellt\w*|einstellung|ordered|target)\b|set$|setting"
_NAMES: tuple[tuple[Quantity, str], ...] = (
    (_Q.PEEP_TOTAL, r"(total|tot).{0,12}peep|peep.{0,12}(total|tot\b)|peeptot"),
    (_Q.PEEP_INTRINSIC, r"(auto|intrinsic|intr\w*).{0,4}peep|peep\s?i\b|\bi ?peep|autopeep|peep.{0,2}int(r\w*)?\b"),
    (_Q.PRESSURE_ABOVE_PEEP_SET, r"(above|over|ueber|über).{0,3}peep|\bpc above\b|pressure control"),
    (_Q.PEEP_SET, r"peep|positive end.?expiratory|end.?expiratory pressure|endexspirator"),
    (_Q.PLATEAU_PRESSURE, r"plat\b|plateau|pplat|inspiratory pause"),
    (_Q.DRIVING_PRESSURE, r"driving|delta\s?p\b|deltap|\bdp\b"),
    (_Q.PRESSURE_SUPPORT_SET, r"pressure support|\bps\b|\bpsv\b|druckunterst"),
    (_Q.MEAN_AIRWAY_PRESSURE, r"mean airway|\bpmean\b|\bp mean|\bmawp\b|mittlerer? (atem|beatmung)"),
    (_Q.PEAK_PRESSURE, r"\bpip\b|peak|ppeak|\bpmax\b|spitzendruck|peak insp"),
    (
        _Q.TIDAL_VOLUME_EXPIRED,
        r"(exp\w*|exh\w*).{0,10}(tidal|\bvt\b|\btv\b)|(tidal vol\w*|\bvt|\btv).{0,3}(exp\w*|exh\w*)|\bvte\b|\bvtexp",
    ),
    (_Q.TIDAL_VOLUME_INSPIRED, r"(insp\w*).{0,10}(tidal|\bvt\b|\btv\b)|(tidal vol\w*|\bvt|\btv).{0,3}insp\w*|\bvti\b"),
    (_Q.TIDAL_VOLUME_UNSTATED, r"tidal|\bvt\b|\btv\b|atemzug|hubvolumen|\bvt"),
    (_Q.COMPLIANCE_DYNAMIC, r"dyn\w*.{0,6}compl|compl\w*.{0,6}dyn|\bcdyn\b"),
    (_Q.COMPLIANCE_STATIC, r"compl|\bcstat\b|\bcrs\b|\bcst\b"),
    (_Q.RESISTANCE, r"resist|\braw\b|\brrs\b"),
    (_Q.RESPIRATORY_RATE_SPONTANEOUS, r"spont\w*.{0,12}(rate|freq|\brr\b)|(rate|freq|\brr).{0,4}spont"),
    (_Q.INSPIRATORY_TIME_SET, r"insp\w*.{0,3}time|\bti\b|inspirationszeit"),
    (_Q.MINUTE_VOLUME_EXPIRED, r"minute vol|minute vent|\bmv\b|\bmve\b|\bve\b|atemminuten|minutenvolumen"),
    (
        _Q.RESPIRATORY_RATE,
        r"resp\w*.{0,12}(rate|freq)|breath\w*.{0,6}(rate|freq)|\brr\b|\bvent\w* rate|atemfrequenz|\baf\b",
    ),
    (_Q.FIO2_SET, r"fio2|fi o2|insp\w*.{0,8}(o2|oxygen)|oxygen (fraction|conc)|o2 conc"),
    (_Q.SPO2, r"spo2|sp o2|sao2|saturation|s[aä]ttigung"),
    (_Q.PAO2, r"pao2|\bpo2\b|p02"),
    (_Q.END_TIDAL_CO2, r"etco2|et co2|end.?tidal"),
    (_Q.PACO2, r"paco2|\bpco2\b"),
    (_Q.PH, r"\bph\b"),
    (
        _Q.MEAN_ARTERIAL_PRESSURE,
        r"\bmap\b|mean.{0,12}(arterial|blood|bp)|(\b(bp|art|abp|ibp|nbp|nibp)|blood pressure).{0,8}mean|\bmad\b",
    ),
    (_Q.SYSTOLIC_ARTERIAL_PRESSURE, r"systol|\bsbp\b|\bsys\b"),
    (_Q.HEART_RATE, r"heart rate|\bhr\b|pulse|puls\b|herzfrequenz|\bhf\b"),
)
"""Words by quantity; the first that fits counts, so that narrower names stand before wider ones."""

_OF_NONE = re.compile(
    r"\b(cvp|zvd|icp|cpp|iap|pap|mpap|pcwp|pa (mean|sys|dia)\w*|central venous|intra ?cranial|pulmonary art\w*|wedge)\b"
    r"|diastol|\bdia\b|alarm|\b(limits?|thresholds?|grenz\w*|high|low|upper|lower|hi|lo)\b"
)
"""Words of pressures that are read as none of ours, and of limits and alarms, which are no readings: no proposal."""

_UNSURE = re.compile(
    r"\b(max\w*|min|minimum|minimal\w*|target\w*|goal|ziel\w*|delta|diff\w*|spont\w*|trend)\b|\bi ?peep|peep.{0,2}int"
)
"""Words that may make another thing of a quantity: its bound, its aim, its change, what the patient does alone."""

_UNSURE_OF = {
    _Q.RESPIRATORY_RATE_SPONTANEOUS: re.compile(r"spont\w*"),
    _Q.DRIVING_PRESSURE: re.compile(r"delta"),
    _Q.PEAK_PRESSURE: re.compile(r"max\w*"),
}
"""Words of these that belong to the quantity itself."""

_COMPLIANCE_OF_A_KIND = re.compile(r"stat|dyn|\bcst\b")

_BY_SETTING = {
    _Q.PEEP_SET: (_Q.PEEP_SET, _Q.PEEP_MEASURED),
    _Q.TIDAL_VOLUME_UNSTATED: (_Q.TIDAL_VOLUME_SET, _Q.TIDAL_VOLUME_UNSTATED),
    _Q.RESPIRATORY_RATE: (_Q.RESPIRATORY_RATE_SET, _Q.RESPIRATORY_RATE),
    _Q.FIO2_SET: (_Q.FIO2_SET, _Q.FIO2_MEASURED),
}
"""What a name stands for where its words say that it is a setting, and where they do not."""

_TYPED = {"ML": "mL", "MLS": "mL", "Ml": "mL", "mls": "mL", "cmH₂O": "cm[H2O]", "CMH2O": "cm[H2O]", "cmH2o": "cm[H2O]"}
"""How people type units that are not read; for a proposal only."""


@dataclass(frozen=True, slots=True)
class Likely:
    """A proposal.

    Attributes:
        score: in points; from `SURE` on all three kinds of evidence agree.
        why: what speaks for it, as clauses.
        doubts: what a person should look at before agreeing.
        open: whether its name may mean another thing, so that the draft proposes no equivalence.
    """

    quantity: Quantity | HeightKind
    score: int
    why: tuple[str, ...]
    doubts: tuple[str, ...]
    open: bool = False

    @property
    def slug(self) -> str:
        """The code of ours."""
        return "height" if isinstance(self.quantity, HeightKind) else self.quantity.slug


_LEAST = 3
"""Fewer points are no proposal: a unit and a range alone fit half of all quantities."""


def likeliest(met: CodeMet, tally: Tally) -> Likely | None:
    """The likeliest quantity of a code, or None where too little speaks for any.

    Args:
        tally: everything that was charted, for comparison with its neighbours.
    """
    if not met.numeric or _OF_NONE.search(_plain(met.concept.words)):
        return None
    if _HEIGHT.search(_plain(met.concept.words)):
        return _height(met)
    found = [_judged(quantity, met, tally) for quantity in Quantity]
    best = max((one for one in found if one is not None), key=lambda one: one.score, default=None)
    return best if best is not None and best.score >= _LEAST else None


_HEIGHT = re.compile(r"\b(height|ht|stature|gr(ö|oe)(ß|ss)e|k(ö|oe)rper(gr(ö|oe)(ß|ss)e|l(ä|ae)nge))\b")
_NO_BODY_HEIGHT = re.compile(r"sitting|percentile|perzentile|score|\b(tube|bed|head|knee|fund\w*|transducer)\b")


def _height(met: CodeMet) -> Likely | None:
    factor = _factor(met, "cm")
    if factor is None or not factor[0] or _NO_BODY_HEIGHT.search(_plain(met.concept.words)):
        return None
    low, high = (float(end or 0) * factor[1] for end in (met.low, met.high))
    if not ACCEPTED_HEIGHT_RANGE_CM[0] <= low <= high <= ACCEPTED_HEIGHT_RANGE_CM[1]:
        return None
    doubt = "whether it was measured, stated or estimated: height-measured, height-stated, height-estimated"
    return Likely(HeightKind.GENERIC, _LEAST, ("its name", "its unit", "its range"), (doubt,))


def _judged(quantity: Quantity, met: CodeMet, tally: Tally) -> Likely | None:
    why: list[str] = []
    doubts: list[str] = []
    score = 0
    named = _named(met.concept.words)
    if named is quantity:
        score += 4
        why.append("its name")
        if named in _OF_EITHER and not re.search(_SET, _plain(met.concept.words)):
            doubts.append("its name does not say whether it is set or measured")
    elif named is not None:
        return None
    factor = _factor(met, quantity.unit)
    if factor is None:
        return None
    known, multiply = factor
    if known:
        score += 1
        why.append("its unit")
    else:
        doubts.append("its unit is not known here")
    low, high = (float(met.low or 0) * multiply, float(met.high or 0) * multiply)
    usual = USUAL[quantity]
    if usual[0] <= low and high <= usual[1]:
        score += 1
        why.append("its range")
    elif not (RANGES[quantity][0] <= low and high <= RANGES[quantity][1]):
        score -= 2
        doubts.append("some of its values are beyond what is accepted")
    beside = _neighbours(quantity, met, multiply, tally)
    score += beside
    if beside > 0:
        why.append("what was charted at the same moments")
    elif beside < 0:
        doubts.append("what was charted at the same moments speaks against it")
    unsure = _unsure(quantity, _plain(met.concept.words)) if named is quantity else ""
    doubts += [unsure] if unsure else []
    return Likely(quantity, score, tuple(why), tuple(doubts), bool(unsure))


def _unsure(quantity: Quantity, plain: str) -> str:
    """What in a name leaves open whether it is this quantity, as a clause; empty where nothing does."""
    own = _UNSURE_OF.get(quantity)
    met = _UNSURE.search(own.sub(" ", plain) if own is not None else plain)
    if met is not None:
        return f"its name says {met[0]!r}, which may be another thing"
    if quantity is _Q.COMPLIANCE_STATIC and not _COMPLIANCE_OF_A_KIND.search(plain):
        return "its name does not say whether it is static or dynamic"
    return ""


_OF_EITHER = frozenset({_Q.PEEP_MEASURED, _Q.TIDAL_VOLUME_UNSTATED, _Q.RESPIRATORY_RATE, _Q.FIO2_MEASURED})


def _plain(words: str) -> str:
    """Small letters, with a space where a new word begins: `PlateauPressure_Set`."""
    apart = re.sub(r"(?<=[a-zäöü])(?=[A-Z])", " ", words)
    return re.sub(r"[^a-z0-9äöüß]+", " ", apart.lower().replace("₂", "2")).strip()


def _named(words: str) -> Quantity | None:
    plain = _plain(words)
    for quantity, pattern in _NAMES:
        if re.search(pattern, plain):
            with_setting = _BY_SETTING.get(quantity)
            if with_setting is None:
                return quantity
            return with_setting[0] if re.search(_SET, plain) else with_setting[1]
    return None


def _factor(met: CodeMet, of_ours: str) -> tuple[bool, float] | None:
    """Whether the unit is known, and what to multiply with; None where it is of another kind of quantity."""
    known, multiply = True, 1.0
    for unit in met.units or ():
        typed = _TYPED.get(unit.code or unit.unit, "")
        found = conversion(typed or unit.code, unit.unit, "" if typed else unit.system, of_ours)
        if isinstance(found, UnitProblem) and unit.system and found.fault is UnitFault.UNKNOWN:
            found = conversion("", unit.unit or unit.code, "", of_ours)
            known = False
        if isinstance(found, UnitProblem):
            if found.fault is UnitFault.WRONG_DIMENSION:
                return None
            known = False
        elif isinstance(found, Conversion):
            multiply = found.multiply / found.divide
            known = known and not typed
    return known and bool(met.units), multiply


def _neighbours(quantity: Quantity, met: CodeMet, multiply: float, tally: Tally) -> int:
    """1 where it lies where it must beside its neighbours, -3 where it does not, 0 where nothing is beside it."""
    below, above = _BETWEEN.get(quantity, (frozenset(), frozenset()))
    compared = agreed = 0
    for other in tally.codes:
        slug = other.quantity
        if other is met or slug not in below | above:
            continue
        for at_s, value in met.at.items():
            beside = other.at.get(at_s)
            if beside is not None:
                compared += 1
                agreed += value * multiply >= beside if slug in below else value * multiply <= beside
    if compared < 3:
        return 0
    return 1 if agreed >= 0.95 * compared else -3 if agreed < 0.7 * compared else 0


_PEEP = frozenset({"peep-set", "peep-measured"})
_TOPS = frozenset({"plateau-pressure", "peak-pressure"})
_BETWEEN: dict[Quantity, tuple[frozenset[str], frozenset[str]]] = {
    _Q.PEEP_SET: (frozenset(), _TOPS),
    _Q.PEEP_MEASURED: (frozenset(), _TOPS),
    _Q.PEEP_TOTAL: (frozenset(), _TOPS),
    _Q.PLATEAU_PRESSURE: (_PEEP, frozenset({"peak-pressure"})),
    _Q.PEAK_PRESSURE: (_PEEP | {"plateau-pressure"}, frozenset()),
    _Q.MEAN_AIRWAY_PRESSURE: (_PEEP, _TOPS),
    _Q.MEAN_ARTERIAL_PRESSURE: (frozenset(), frozenset({"systolic-arterial-pressure"})),
    _Q.SYSTOLIC_ARTERIAL_PRESSURE: (frozenset({"mean-arterial-pressure"}), frozenset()),
}
"""Slugs below which, and above which, a quantity cannot lie at one moment; both are of one unit."""


def draft_concept_map(proposed: Sequence[tuple[CodeMet, Likely]]) -> dict[str, object]:
    """A FHIR R4 ConceptMap of the proposals, of status draft; a row counts once a person writes `equivalent`.

    Args:
        proposed: codes with what they may be.
    """
    groups = []
    rows = sorted((one for one in proposed if one[0].concept.code), key=lambda one: one[0].concept)
    for system, of_system in groupby(rows, key=lambda one: one[0].concept.system):
        elements = [_element(met, likely) for met, likely in of_system]
        groups.append({**({"source": system} if system else {}), "target": OWN_QUANTITIES, "element": elements})
    return {
        "resourceType": "ConceptMap",
        "status": "draft",
        "description": "Made from charted data; a proposal. Check each row; write equivalent where it is right, "
        "delete it where it is not, and set EBBMARK_CODE_MAP to this file. Rows that say relatedto are not read.",
        **({"group": groups} if groups else {}),
    }


def _element(met: CodeMet, likely: Likely) -> dict[str, object]:
    concept = met.concept
    name = concept.display or concept.text
    doubts = f" Look at: {'; '.join(likely.doubts)}." if likely.doubts else ""
    numbers = f" from {met.low:g} to {met.high:g}" if met.low is not None and met.high is not None else ""
    units = ", ".join(unit.shown for unit, _ in met.units.most_common(3))
    often = "once" if met.count == 1 else f"{met.count} times"
    comment = f"Met {often}{numbers} ({units or 'no unit'}); by {', '.join(likely.why)}.{doubts}"
    target = {"code": likely.slug, "equivalence": "relatedto", "comment": comment}
    if likely.open:
        # What a person must decide is proposed in words only, which no replacement of relatedto makes a row.
        target = {"equivalence": "unmatched", "comment": f"Perhaps {likely.slug}. {comment}"}
    return {"code": concept.code, **({"display": name} if name else {}), "target": [target]}
