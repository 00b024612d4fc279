"""What charted data hold, for people: the profile as text and values, and the likeliest quantity of an unmapped code.

Counts and ranges only, no date, no name. The likeliest quantity follows from words, unit, range and what was charted
beside it. It is a proposal for a person who corrects it, never a reading: the draft ConceptMap says `relatedto`, which
is not read here. Words, usual ranges and hints are data (`data/inspection.toml`); weights are this project's choice.
Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/conceptmap.html and /codesystem-concept-map-equivalence.html.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from typing import Any, Final

import msgspec

from ebbmark.data import table
from ebbmark.fhir.problems import Reason
from ebbmark.fhir.profiling import CodeMet, Profile
from ebbmark.fhir.reading.codes import OWN_QUANTITIES, RANGES, HeightKind
from ebbmark.fhir.reading.units import Conversion, UnitFault, UnitProblem, conversion
from ebbmark.physiology.mechanics import ACCEPTED_HEIGHT_RANGE_CM
from ebbmark.physiology.readings import Quantity

_QUANTITIES: Final = {one.slug: one for one in Quantity}
_MOST_IN_SHORT: Final = 8
_SENT: Final = re.compile(r"\b(was|were|is|are|not|be|nothing) sent\b")
_LIKE_A_CODE: Final = re.compile(
    r"([A-Za-z0-9:/._\-]{1,100}|\(no system\))\|[A-Za-z0-9._:/#\-]{1,40}|text without a code"
)
_COMPLIANCE_OF_A_KIND: Final = re.compile(r"stat|dyn|\bcst\b")


@cache
def _table() -> dict[str, Any]:
    """Read when somebody inspects: most processes never do."""
    return table("inspection")


@dataclass(frozen=True, slots=True)
class Likely:
    """A proposal.

    Attributes:
        score: in points; from `SURE` on all three kinds of evidence agree.
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


def likeliest(met: CodeMet, profile: Profile) -> Likely | None:
    """The likeliest quantity of a code, or None where too little speaks for any."""
    if not met.numeric or re.search(_table()["of_none"], _plain(met.concept.words)):
        return None
    if re.search(_table()["height"], _plain(met.concept.words)):
        return _height(met)
    found = [_judged(quantity, met, profile) for quantity in Quantity]
    best = max((one for one in found if one is not None), key=lambda one: one.score, default=None)
    return best if best is not None and best.score >= _LEAST else None


def _height(met: CodeMet) -> Likely | None:
    factor = _factor(met, "cm")
    if factor is None or not factor[0] or re.search(_table()["no_body_height"], _plain(met.concept.words)):
        return None
    low, high = (float(end or 0) * factor[1] for end in (met.low, met.high))
    if not ACCEPTED_HEIGHT_RANGE_CM[0] <= low <= high <= ACCEPTED_HEIGHT_RANGE_CM[1]:
        return None
    doubt = "whether it was measured, stated or estimated: height-measured, height-stated, height-estimated"
    return Likely(HeightKind.GENERIC, _LEAST, ("its name", "its unit", "its range"), (doubt,))


def _judged(quantity: Quantity, met: CodeMet, profile: Profile) -> Likely | None:
    why: list[str] = []
    doubts: list[str] = []
    score = 0
    named = _named(met.concept.words)
    if named is quantity:
        score += 4
        why.append("its name")
        if named.slug in _table()["either"] and not re.search(_table()["setting"], _plain(met.concept.words)):
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
    usual = _table()["usual"][quantity.slug]
    if usual[0] <= low and high <= usual[1]:
        score += 1
        why.append("its range")
    elif not (RANGES[quantity][0] <= low and high <= RANGES[quantity][1]):
        score -= 2
        doubts.append("some of its values are beyond what is accepted")
    beside = _neighbours(quantity, met, multiply, profile)
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
    own = _table()["unsure_of"].get(quantity.slug)
    met = re.search(_table()["unsure"], re.sub(own, " ", plain) if own else plain)
    if met is not None:
        return f"its name says {met[0]!r}, which may be another thing"
    if quantity is Quantity.COMPLIANCE_STATIC and not _COMPLIANCE_OF_A_KIND.search(plain):
        return "its name does not say whether it is static or dynamic"
    return ""


def _plain(words: str) -> str:
    """Small letters, with a space where a new word begins: `PlateauPressure_Set`."""
    apart = re.sub(r"(?<=[a-zäöü])(?=[A-Z])", " ", words)
    return re.sub(r"[^a-z0-9äöüß]+", " ", apart.lower().replace("₂", "2")).strip()


def _named(words: str) -> Quantity | None:
    plain = _plain(words)
    slug = next((row["of"] for row in _table()["name"] if re.search(row["words"], plain)), "")
    if not slug:
        return None
    if_set, otherwise = _table()["by_setting"].get(slug, (slug, slug))
    return _QUANTITIES[if_set if re.search(_table()["setting"], plain) else otherwise]


def _factor(met: CodeMet, of_ours: str) -> tuple[bool, float] | None:
    """Whether the unit is known, and what to multiply with; None where it is of another kind of quantity."""
    known, multiply = True, 1.0
    for unit in met.units or ():
        typed = _table()["typed"].get(unit.code or unit.unit, "")
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


def _neighbours(quantity: Quantity, met: CodeMet, multiply: float, profile: Profile) -> int:
    """1 where it lies where it must beside its neighbours, -3 where it does not, 0 where nothing is beside it."""
    bounds = _table()["between"].get(quantity.slug, {"at_least": [], "at_most": []})
    compared = agreed = 0
    for other in profile.codes:
        slug = other.quantity
        if other is met or slug not in (*bounds["at_least"], *bounds["at_most"]):
            continue
        for at_s, value in met.at.items():
            beside = other.at.get(at_s)
            if beside is not None:
                compared += 1
                agreed += value * multiply >= beside if slug in bounds["at_least"] else value * multiply <= beside
    if compared < 3:
        return 0
    return 1 if agreed >= 0.95 * compared else -3 if agreed < 0.7 * compared else 0


def draft_concept_map(proposed: Sequence[tuple[CodeMet, Likely]]) -> dict[str, object]:
    """A FHIR R4 ConceptMap of the proposals, of status draft; a row counts once a person writes `equivalent`."""
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


def as_text(profile: Profile, proposed: Mapping[int, Likely], trial: Sequence[str]) -> str:
    """The whole profile, for people; `proposed` by the place of unread codes in it."""
    types = ", ".join(f"{count} {kind}" for kind, count in profile.types.items())
    lines = [f"Met: {types}; {_several(profile.patients, 'patient')}{_span(profile)}."]
    if profile.own_results:
        lines.append(
            f"Of these {_several(profile.own_results, 'earlier result')} of this service, which are no readings."
        )
    lines.append("")
    read = [code for code in profile.codes if code.quantity]
    unread = [(place, one) for place, one in enumerate(profile.codes) if not one.quantity]
    lines.append("Read:" if read else "Read: nothing.")
    for one in read:
        lines += [f"  {one.count:>6}  {_spelled(one)}", f"          {one.quantity}; {_seen(one)}"]
        lines += [f"          left out: {line}" for line in _left(one)]
    lines += ["", "Not read:" if unread else "Not read: nothing."]
    for place, one in unread:
        lines += [f"  {one.count:>6}  {_spelled(one)}", f"          {_seen(one)}"]
        lines += [f"          {line}" for line in _left(one)]
        likely = proposed.get(place)
        if likely is not None:
            doubts = f"; look at: {'; '.join(likely.doubts)}" if likely.doubts else ""
            lines.append(f"          likeliest: {likely.slug} (by {', '.join(likely.why)}{doubts})")
            if not one.concept.code:
                row = {"text": one.concept.text, "means": likely.slug, "source": "..."}
                lines.append(f"          draft of a row of texts: {msgspec.json.encode(row).decode()}")
    lines += ["", "A trial:", *[f"  {sentence}" for sentence in trial]]
    return "\n".join(lines) + "\n"


def as_values(profile: Profile, proposed: Mapping[int, Likely], trial: Sequence[str]) -> dict[str, object]:
    """The same as plain values for JSON."""
    return {
        "resources": profile.types,
        "patients": profile.patients,
        "own_results": profile.own_results,
        "codes": [
            {
                "system": one.concept.system,
                "code": one.concept.code,
                "display": one.concept.display or one.concept.text,
                "place": one.place,
                "count": one.count,
                "categories": dict(one.categories),
                "shapes": dict(one.shapes),
                "units": [
                    {"system": unit.system, "code": unit.code, "unit": unit.unit, "count": count}
                    for unit, count in one.units.most_common()
                ],
                "low": one.low,
                "high": one.high,
                "outcomes": dict(one.outcomes),
                **(
                    {"likeliest": {"quantity": likely.slug, "why": list(likely.why), "look_at": list(likely.doubts)}}
                    if (likely := proposed.get(place)) is not None
                    else {}
                ),
            }
            for place, one in enumerate(profile.codes)
        ],
        "trial": list(trial),
    }


def as_read(sentence: str) -> str:
    """A sentence of a refusal about data that nobody sent: they were read, from a record or a file."""
    return _SENT.sub(r"\1 read", sentence)


def in_short(profile: Profile) -> list[str]:
    """The unread in a few sentences, for a refusal: codes as `system|code`, without words of the record."""
    unread = [one for one in profile.unread if one.numeric]
    if not unread:
        return []
    named = [f"{_plain_code(one)} ({one.count}, {_range(one)})" for one in unread[:_MOST_IN_SHORT]]
    more = f" and {len(unread) - _MOST_IN_SHORT} more" if len(unread) > _MOST_IN_SHORT else ""
    total = sum(one.count for one in unread)
    by_text = any(not one.concept.code for one in unread)
    texts = " What a text without a code means stands in texts of the charting table (EBBMARK_CHARTING)."
    return [
        f"Not understood: {_several(total, 'number')} under {_several(len(unread), 'code')}: {', '.join(named)}{more}. "
        "A ConceptMap of the site (EBBMARK_CODE_MAP) says what they mean; ebbmark inspect proposes one."
        + (texts if by_text else "")
    ]


def _left(met: CodeMet) -> Iterator[str]:
    """Why some or all of it is not read, with what helps."""
    for what, count in met.outcomes.most_common():
        if what in _table()["left_out"]:
            why, helps = _table()["left_out"][what]
            if what == Reason.UNKNOWN_CODE.slug and not met.concept.code:
                why, helps = "its text is not known", "a row in texts of the site's charting table (EBBMARK_CHARTING)"
            yield f"{count} of {met.count}: {why}{f'; what helps: {helps}' if helps else ''}"
        elif not what.startswith("read as "):
            yield f"{count} of {met.count}: {what}"


def _spelled(met: CodeMet) -> str:
    concept = met.concept
    words = concept.display or concept.text
    if not concept.code:
        return f"no code, text {words!r}" if words else "no code and no text"
    within = " in a component" if met.place == "component" else ""
    return f"{_code(met)}{f' {words!r}' if words else ''}{within}"


def _code(met: CodeMet) -> str:
    concept = met.concept
    if not concept.code:
        return "text without a code"
    return f"{concept.system or '(no system)'}|{concept.code}"


def _plain_code(met: CodeMet) -> str:
    """The code where it looks like one, since anything else may be a name."""
    shown = _code(met)
    return shown if _LIKE_A_CODE.fullmatch(shown) else "a code that is not repeated here"


def _seen(met: CodeMet) -> str:
    shapes = ", ".join(met.shapes)
    units = ", ".join(unit.shown for unit, _ in met.units.most_common(4))
    categories = ", ".join(name for name, _ in met.categories.most_common(3))
    return f"{shapes}; {units or 'no unit'}; {_range(met)}; {categories}"


def _range(met: CodeMet) -> str:
    if met.low is None or met.high is None:
        return "no number"
    return f"{met.low:g}" if met.low == met.high else f"{met.low:g} to {met.high:g}"


def _span(profile: Profile) -> str:
    if profile.first_s is None or profile.last_s is None:
        return "; no time that can be read"
    return f"; over {(profile.last_s - profile.first_s) / 3600:.1f} hours"


def _several(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
