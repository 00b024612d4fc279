"""What does a refuted Condition rule out? Its own code, and a whole concept only where the code says all of it.

Many narrow codes stand for one concept. Any of them shows that it is there; that one of them is refuted leaves the
others open: no pulmonary embolism is not no right heart failure, and no viral disease in pregnancy is not no pregnancy.
Which codes are as wide as their concept is this project's reading of their titles. A code that a site adds is taken
for a narrow one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from ebbmark.fhir.bedside.condition_codes import ALL_ICD
from ebbmark.fhir.reading.codes import SNOMED

__all__ = ["AS_WIDE", "Coded", "ruled_out"]

Coded = tuple[str, str]
"""Code system, and code as it was sent."""

AS_WIDE: Mapping[str, tuple[tuple[tuple[str, ...], frozenset[str]], ...]] = {
    "untreated-pneumothorax": (((SNOMED,), frozenset({"36118008"})), (ALL_ICD, frozenset({"J93", "J939"}))),
    "haemodynamic-instability": (((SNOMED,), frozenset({"422773005"})),),
    "raised-intracranial-pressure": (((SNOMED,), frozenset({"271719001"})),),
    "pregnancy": (((SNOMED,), frozenset({"77386006"})), (ALL_ICD, frozenset({"Z33", "Z331"}))),
    "sickle-cell-disease": (((SNOMED,), frozenset({"417357006"})),),
}
"""By concept, codes that are as wide as it: code systems, and codes without their dot."""


def ruled_out(concepts: Iterable[str], codings: Iterable[Coded], present: Collection[Coded]) -> tuple[str, ...]:
    """The concepts that a refuted Condition rules out, or contradicts where the same code is charted as present.

    Args:
        concepts: slugs that its codes stand for.
        codings: its codes.
        present: codes of the Conditions that count as present.
    """
    listed = [(system, _spelled(system, code)) for system, code in codings]
    charted = {(system, _spelled(system, code)) for system, code in present}
    if charted.intersection(listed):
        return tuple(concepts)
    return tuple(
        slug
        for slug in concepts
        if any(system in systems and code in wide for system, code in listed for systems, wide in AS_WIDE.get(slug, ()))
    )


def _spelled(system: str, code: str) -> str:
    return code.upper().replace(".", "").rstrip("-+*!†") if system in ALL_ICD else code.upper()
