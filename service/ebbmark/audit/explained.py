"""Which differences between a stored answer and the one computed again are explained by its engine or by rounding?

An engine that gives the same bytes on every processor may differ by one unit in the last place of what comes from the
estimate, under another mathematical library. An earlier engine that was not reproducible may differ by more, words and
links its results otherwise, and lists less than this one does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ebbmark.audit.comparison import Difference, texts_within
from ebbmark.audit.findings import Finding, FindingKind

__all__ = ["NOT_REPRODUCIBLE", "Explanation", "explanation", "is_of_another_engine", "listed_less"]

NOT_REPRODUCIBLE: Mapping[str, str] = {
    "0.2.0": (
        "Version 0.2.0 gave other numbers on other processors (measured over 200 drawn trials on three kinds of "
        "processor: probabilities up to 0.11, compliance fitted or expected up to 0.3 mL/cmH2O; in 3 trials the class "
        "of evidence, too), so that such differences are no sign of a change. This version estimates otherwise, too "
        "(over four kept answers of 0.2.0: a bound of fitted compliance by up to 0.6 mL/cmH2O)."
    ),
}
"""What is known of earlier engines that were not reproducible across processors, by version; measured by us."""

_ESTIMATED = frozenset(
    {
        "verdict-probability",
        "not-reached-probability",
        "falling-from-first-step-probability",
        "closing-probability",
        "fitted-compliance",
        "fitted-compliance-low",
        "fitted-compliance-high",
        "expected-compliance",
        "expected-driving-pressure",
        "expected-plateau-pressure",
        "expected-mechanical-power",
    }
)
"""Components that come from the estimate."""
_PROBABILITY, _OTHER, _IN_TEXTS = 0.12, 1.0, 0.3
"""How far those of an engine that was not reproducible may be off: what was measured, rounded up; our choice."""
_ALWAYS_GIVEN = _ESTIMATED | {
    "valueQuantity", "valueCodeableConcept", "note", "method", "component", "status", "code", "subject",
    "closing-verdict", "closing-evidence", "fall-threshold", "interval-low", "interval-high", "margin", "margin-used",
    "what-if-peep", "compliance-kind", "peep-source", "readings-used",
}  # fmt: skip
"""Elements and components that an earlier engine gave wherever this one does: without them something was taken out."""
_LINKS = (".derivedFrom", ".target", ".hasMember", ".implicated", ".entity", ".contained")
_TEXTS = (".text", ".display", ".detail", ".conclusion", ".title")
_PAGE = "report.presentedForm"
_LAST_PLACE = (
    "one unit in the last place: this engine gives the same on every processor that it is tested on, but another "
    "mathematical library may round otherwise"
)


@dataclass(frozen=True, slots=True)
class Explanation:
    """What kind of finding a difference is; `why` ends its sentence, `listed_less` where it is only said together."""

    kind: FindingKind
    why: str = ""
    listed_less: bool = False


_UNEXPLAINED = Explanation(FindingKind.VALUE)
_LISTED_LESS = Explanation(FindingKind.WORDING, listed_less=True)


def is_of_another_engine(engine: str) -> bool:
    """Whether the answer is of an engine that is known not to have been reproducible."""
    return engine in NOT_REPRODUCIBLE


def explanation(one: Difference, engine: str) -> Explanation:
    """What explains this difference.

    Args:
        one: between what is expected and what is stored.
        engine: version that the stored answer names.
    """
    loose = is_of_another_engine(engine)
    known = f"what engine {engine} is known to differ by" if loose else _LAST_PLACE
    if one.path.endswith(_TEXTS) and isinstance(one.expected, str) and isinstance(one.found, str):
        if texts_within(one.expected, one.found, _IN_TEXTS if loose else None):
            return Explanation(FindingKind.ROUNDING, f"; they differ in numbers only, within {known}")
        if loose:
            why = f"; engine {engine} worded it otherwise, and only a signature covers its words"
            return Explanation(FindingKind.WORDING, why)
    code = next((code for code in one.path.split(".") if code in _ESTIMATED), "")
    if code and _is_number(one.expected) and _is_number(one.found):
        is_probability = code.endswith("probability")
        limit = (_PROBABILITY if is_probability else _OTHER) if loose else 0.001 if is_probability else 0.1
        within = abs(float(str(one.expected)) - float(str(one.found))) <= limit * 1.000001
        return Explanation(FindingKind.ROUNDING, f", within {known}") if within else _UNEXPLAINED
    return _of_an_earlier_engine(one, engine) if loose else _UNEXPLAINED


def listed_less(count: int, engine: str) -> Finding:
    """What is said of everything together that this version lists and an earlier engine did not."""
    sentence = (
        f"Engine {engine} listed less, or linked it otherwise: {count} elements of the answer that this version gives "
        "are not compared."
    )
    return Finding(FindingKind.WORDING, "", count, None, sentence)


def _of_an_earlier_engine(one: Difference, engine: str) -> Explanation:
    if one.path.startswith(_PAGE):
        return Explanation(FindingKind.WORDING, f"; engine {engine} set the page otherwise")
    if any(link in one.path for link in _LINKS):
        return _LISTED_LESS
    if one.found is None and one.path.rpartition(".")[2] not in _ALWAYS_GIVEN:
        return _LISTED_LESS
    return _UNEXPLAINED


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
