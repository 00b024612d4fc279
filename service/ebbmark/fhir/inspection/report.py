"""A profile of charted data as text and as plain values; counts and ranges only, no date, no name."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

import msgspec

from ebbmark.fhir.inspection.likely import Likely
from ebbmark.fhir.inspection.tally import CodeMet, Tally
from ebbmark.fhir.problems import ProblemKind, Reason

_MOST_IN_SHORT = 8
_SENT = re.compile(r"\b(was|were|is|are|not|be|nothing) sent\b")
_LIKE_A_CODE = re.compile(r"([A-Za-z0-9:/._\-]{1,100}|\(no system\))\|[A-Za-z0-9._:/#\-]{1,40}|text without a code")


_A_UNIT = (
    "a UCUM code in Quantity.code with system http://unitsofmeasure.org, or a row of the site's charting table "
    "(EBBMARK_CHARTING)"
)
_WHAT_HELPS: dict[str, tuple[str, str]] = {
    Reason.UNKNOWN_CODE.slug: ("its code is not known", "a ConceptMap of the site (EBBMARK_CODE_MAP)"),
    Reason.CODINGS_DISAGREE.slug: (
        "its codings mean different things",
        "a ConceptMap of the site that says what the code means here (EBBMARK_CODE_MAP)",
    ),
    Reason.SETTING_UNCLEAR.slug: (
        "device and code disagree on setting or measurement",
        "the category of the DeviceMetric, or the code, corrected in the record",
    ),
    Reason.NOT_USED.slug: (
        "its code is known and not used",
        "nothing, unless it means another thing here: then a ConceptMap (EBBMARK_CODE_MAP)",
    ),
    Reason.UNIT_UNKNOWN.slug: (
        "its unit is not known",
        _A_UNIT,
    ),
    Reason.UNIT_MISSING.slug: ("it has no unit", _A_UNIT),
    ProblemKind.HEIGHT_UNIT.slug: ("the unit of the height is not known", _A_UNIT),
    "wrong-dimension": ("its unit is of another kind of quantity", "the unit, or the code, corrected in the record"),
    Reason.NOT_A_QUANTITY.slug: (
        "its value is no number with a unit",
        "valueQuantity, or the unit in the site's charting table (EBBMARK_CHARTING)",
    ),
    Reason.NO_VALUE.slug: ("it has no value", "a value"),
    Reason.DATA_ABSENT.slug: ("its value is said to be absent", ""),
    Reason.COMPARATOR.slug: ("its value is a bound", ""),
    Reason.OUT_OF_RANGE.slug: ("its value is out of range", "the unit or the value corrected in the record"),
    Reason.GROUP.slug: ("it groups other Observations", "nothing, where its members are sent, too"),
    Reason.NO_TIME.slug: ("it has no time", "effectiveDateTime with a zone"),
    Reason.NO_ZONE.slug: (
        "its time has no zone",
        "a zone, as in 2026-03-01T10:00:00+01:00, or the zone in the site's charting table (EBBMARK_CHARTING)",
    ),
    Reason.DATE_ONLY.slug: ("it has a date without a time", "effectiveDateTime with time and zone"),
    Reason.INVALID_TIME.slug: ("its time cannot be read", "effectiveDateTime as in 2026-03-01T10:00:00+01:00"),
    Reason.TIMING.slug: ("its effectiveTiming is not one moment", "effectiveDateTime"),
    Reason.PERIOD.slug: ("its period cannot be used", "effectivePeriod with start, and an end after it"),
    Reason.FUTURE.slug: ("its time lies ahead", "a clock that is right"),
    Reason.PRELIMINARY.slug: ("its status is preliminary", "EBBMARK_ACCEPT_PRELIMINARY, or accept-preliminary"),
    Reason.STATUS_UNKNOWN.slug: ("its status does not count", "status final, amended or corrected"),
    Reason.CONFLICT.slug: ("values of one moment contradict one another", "one of them amended, or entered-in-error"),
    Reason.MODIFIER_EXTENSION.slug: ("it carries a modifier extension", "nothing: its meaning is not known here"),
    Reason.IMPLICIT_RULES.slug: ("it was made under implicit rules", "nothing: its meaning is not known here"),
    Reason.OTHER_SUBJECT.slug: ("it is not about a patient", ""),
    Reason.NOT_CODED.slug: ("its value is not coded", "valueCodeableConcept with a coding"),
    Reason.ENTERED_IN_ERROR.slug: ("it was entered in error", ""),
    Reason.CANCELLED.slug: ("it was cancelled", ""),
    Reason.REGISTERED.slug: ("there is no result yet", ""),
    Reason.SUPERSEDED.slug: ("a newer version is there", ""),
    Reason.DUPLICATE.slug: ("it is there more than once; one counts", ""),
    "not-fhir": ("its shape is not that of FHIR R4", "see the element in the refusal of a request with it"),
}
"""Why something is not read, and what would make it readable, by the reason's slug."""


def as_text(tally: Tally, proposed: Mapping[int, Likely], trial: Sequence[str]) -> str:
    """The whole profile, for people.

    Args:
        proposed: what unread codes may be, by their place in the tally.
        trial: whether a trial can be read, and what is missing for one, as sentences.
    """
    types = ", ".join(f"{count} {kind}" for kind, count in tally.types.items())
    lines = [f"Met: {types}; {_several(tally.patients, 'patient')}{_span(tally)}."]
    if tally.own_results:
        lines.append(
            f"Of these {_several(tally.own_results, 'earlier result')} of this service, which are no readings."
        )
    lines.append("")
    read = [one for one in tally.codes if one.quantity]
    unread = [(place, one) for place, one in enumerate(tally.codes) if not one.quantity]
    lines.append("Read:" if read else "Read: nothing.")
    for one in read:
        lines += [f"  {one.count:>6}  {_named(one)}", f"          {one.quantity}; {_seen(one)}"]
        lines += [f"          left out: {line}" for line in _left(one)]
    lines += ["", "Not read:" if unread else "Not read: nothing."]
    for place, one in unread:
        lines += [f"  {one.count:>6}  {_named(one)}", f"          {_seen(one)}"]
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


def as_values(tally: Tally, proposed: Mapping[int, Likely], trial: Sequence[str]) -> dict[str, object]:
    """The same as plain values for JSON.

    Args:
        proposed: what unread codes may be, by their place in the tally.
        trial: whether a trial can be read, and what is missing for one, as sentences.
    """
    return {
        "resources": tally.types,
        "patients": tally.patients,
        "own_results": tally.own_results,
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
                **({"likeliest": _proposal(proposed[place])} if place in proposed else {}),
            }
            for place, one in enumerate(tally.codes)
        ],
        "trial": list(trial),
    }


def as_read(sentence: str) -> str:
    """A sentence of a refusal about data that nobody sent: they were read, from a record or a file."""
    return _SENT.sub(r"\1 read", sentence)


def in_short(tally: Tally) -> list[str]:
    """The unread in a few sentences, for a refusal: codes as `system|code`, without words of the record."""
    unread = [one for one in tally.unread if one.numeric]
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


def _proposal(likely: Likely) -> dict[str, object]:
    return {"quantity": likely.slug, "why": list(likely.why), "look_at": list(likely.doubts)}


def _left(met: CodeMet) -> Iterator[str]:
    """Why some or all of it is not read, with what helps."""
    for what, count in met.outcomes.most_common():
        if what in _WHAT_HELPS:
            why, helps = _WHAT_HELPS[what]
            if what == Reason.UNKNOWN_CODE.slug and not met.concept.code:
                why, helps = "its text is not known", "a row in texts of the site's charting table (EBBMARK_CHARTING)"
            yield f"{count} of {met.count}: {why}{f'; what helps: {helps}' if helps else ''}"
        elif not what.startswith("read as "):
            yield f"{count} of {met.count}: {what}"


def _named(met: CodeMet) -> str:
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


def _span(tally: Tally) -> str:
    if tally.first_s is None or tally.last_s is None:
        return "; no time that can be read"
    return f"; over {(tally.last_s - tally.first_s) / 3600:.1f} hours"


def _several(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
