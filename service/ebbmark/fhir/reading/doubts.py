"""Readings that were sent and cannot be used, and what can be told of their values none the less.

What was replaced, taken back, or is none of our quantities is not among them: of that nothing is left to ask. Where a
unit is missing or not known the number is taken as if it had ours, and an SpO2 of up to 1 as a fraction: this is only
ever used to say that somebody should look. An SpO2 of up to 1 per cent may be a fraction or anything else: it is taken
as a bound, below which the true one may lie.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from ebbmark.fhir.model import Coding, Component, Observation, QuantityValue
from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.fhir.reading.units import to_canonical
from ebbmark.fhir.reading.versions import Received
from ebbmark.fhir.sources import Ignored, Reason
from ebbmark.fhir.times import seconds
from ebbmark.physiology.readings import Doubt, Quantity

__all__ = ["doubts_of"]

_SETTLED = frozenset(
    one.slug
    for one in (
        Reason.SUPERSEDED,
        Reason.DUPLICATE,
        Reason.ENTERED_IN_ERROR,
        Reason.CANCELLED,
        Reason.REGISTERED,
        Reason.OWN_RESULT,
        Reason.OTHER_SUBJECT,
        Reason.UNKNOWN_CODE,
        Reason.NOT_USED,
        Reason.GROUP,
        Reason.HEIGHT_NOT_CHOSEN,
        Reason.SEX_NOT_CHOSEN,
    )
)
_SIDES = {"<": "below", "<=": "below", ">": "above", ">=": "above"}
_NUMBER = re.compile(r"(<=|>=|<|>)? {0,3}(\d{1,4}(?:[.,]\d{1,3})?) {0,3}(\S{0,8})")
_LONGEST = 40
"""Longest text in which a number is looked for."""
_LARGEST = 10_000
"""Whole numbers from here on are none of a patient's."""

Table = Mapping[tuple[str, str], CodeRow]


def doubts_of(items: Sequence[Received], ignored: Iterable[Ignored], table: Table) -> tuple[Doubt, ...]:
    """Tell what was sent and cannot be used, in an order that does not depend on the order received.

    Args:
        items: the Observations as received.
        ignored: what does not count, by FHIRPath of the Observation or of its part.
        table: the codes that are understood, a site's own among them.
    """
    reasons = {one.path: one for one in ignored if one.code not in _SETTLED}
    if not reasons:
        return ()
    found: set[Doubt] = set()
    for item in items:
        observation = item.observation
        whole = reasons.get(item.path)
        parts: list[tuple[Observation | Component, str]] = [(observation, "")]
        parts += [(component, f".component[{number}]") for number, component in enumerate(observation.component)]
        at_s = _moment(observation)
        for holder, part in parts:
            reason = reasons.get(item.path + part) if part else whole
            reason = reason or whole
            if reason is not None:
                quantities = _quantities(holder.code.coding, table)
                found.update(_doubt(one, holder, at_s, reason.reason) for one in quantities)
    return tuple(sorted(found, key=lambda one: (one.at_s or 0.0, one.quantity.slug, one.shown, one.why)))


def _quantities(codings: Sequence[Coding], table: Table) -> set[Quantity]:
    """All that its codings may mean; where they disagree, each of them."""
    rows = [table.get((coding.system, coding.code)) for coding in codings]
    return {row.meaning for row in rows if row is not None and isinstance(row.meaning, Quantity)}


def _doubt(quantity: Quantity, holder: Observation | Component, at_s: float | None, why: str) -> Doubt:
    number, comparator, unit = _number(holder)
    if number is None:
        return Doubt(quantity, None, "", at_s, "", why)
    value = _in_our_unit(quantity, number, holder.valueQuantity)
    side = _SIDES.get(comparator, "")
    if quantity is Quantity.SPO2 and number <= 1.0 and unit.strip() == "%":
        side = "below"
    shown = f"'{comparator}{number:g}{' ' + unit if unit else ''}'"
    return Doubt(quantity, value, side, at_s, shown, why)


def _number(holder: Observation | Component) -> tuple[float | None, str, str]:
    """Value, comparator and unit, however they were sent."""
    quantity = holder.valueQuantity
    if quantity is not None and quantity.value is not None:
        return quantity.value, quantity.comparator[:2], (quantity.unit or quantity.code)[:12]
    whole, text = holder.valueInteger, holder.valueString
    if isinstance(whole, int) and not isinstance(whole, bool) and abs(whole) < _LARGEST:
        return float(whole), "", ""
    text = text.strip() if isinstance(text, str) and len(text) <= _LONGEST else ""
    match = _NUMBER.fullmatch(text)
    if match is None:
        return None, "", ""
    return float(match[2].replace(",", ".")), match[1] or "", match[3]


def _in_our_unit(quantity: Quantity, number: float, sent: QuantityValue | None) -> float:
    found = to_canonical(number, sent.code, sent.unit, sent.system, quantity.unit) if sent is not None else number
    value = found if isinstance(found, float) else number
    return 100.0 * value if quantity is Quantity.SPO2 and value <= 1.0 else value


def _moment(observation: Observation) -> float | None:
    period = observation.effectivePeriod
    text = observation.effectiveDateTime or observation.effectiveInstant or (period.start if period is not None else "")
    found = seconds(text) if text else None
    return found if isinstance(found, float) else None
