"""Inspect charted data before they are asked about: what is read of them, what is not, and what a trial lacks.

Profiling of a source before it is mapped; the draft ConceptMap is a proposal for a person. Nothing is answered here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import msgspec

from ebbmark.fhir.inspection.likely import Likely, draft_concept_map, likeliest
from ebbmark.fhir.inspection.report import as_text, as_values
from ebbmark.fhir.inspection.resources import ResourceMet, collection_of, resources_in
from ebbmark.fhir.inspection.tally import Tally, tally_of
from ebbmark.fhir.model import ConceptMap
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import ProblemKind, Rejected, each_once
from ebbmark.fhir.reading.body import Limits
from ebbmark.fhir.reading.concept_map import lay_over, rows_of
from ebbmark.fhir.reading.question import RequestContext
from ebbmark.use_cases.questions import answer_request

__all__ = ["Inspection", "inspect"]

_LIMITS = Limits(max_bytes=500_000_000, max_entries=1_000_000)
_READ_FOR_A_TRIAL = frozenset({"Patient", "Observation", "DeviceMetric"})


@dataclass(frozen=True, slots=True)
class Inspection:
    """What charted data hold.

    Attributes:
        tally: every code, unit and shape.
        proposed: what unread codes may be, by their place in the tally.
        trial: whether a trial can be read, and what is missing for one, as sentences.
    """

    tally: Tally
    proposed: dict[int, Likely]
    trial: tuple[str, ...]

    @property
    def text(self) -> str:
        """For people."""
        return as_text(self.tally, self.proposed, self.trial)

    @property
    def values(self) -> dict[str, object]:
        """For JSON."""
        return as_values(self.tally, self.proposed, self.trial)

    @property
    def draft(self) -> dict[str, object]:
        """A FHIR R4 ConceptMap of the proposals."""
        return draft_concept_map([(self.tally.codes[place], likely) for place, likely in self.proposed.items()])


def inspect(content: bytes, context: RequestContext) -> Inspection:
    """Profile charted data.

    Args:
        content: a FHIR R4 Bundle, NDJSON, a list of resources, or one resource; a ConceptMap among them counts.
        context: the present instant, the site and its codes.

    Raises:
        Rejected: the content is none of these.
    """
    met, code_map = resources_in(content), context.code_map
    for one in met:
        if one.resource.get("resourceType") == "ConceptMap":
            try:
                code_map = lay_over(code_map, rows_of(msgspec.convert(one.resource, ConceptMap), one.path))
            except msgspec.ValidationError:
                continue
    tally = tally_of(met, at_s=context.at_s, code_map=code_map, accept_preliminary=context.accept_preliminary)
    proposed = {
        place: likely
        for place, one in enumerate(tally.codes)
        if not one.quantity and (likely := likeliest(one, tally)) is not None
    }
    return Inspection(tally, proposed, _trial(met, tally, content, replace(context, code_map=code_map, limits=_LIMITS)))


_OF_PERSON = {
    ProblemKind.SEX_NEEDED: "The form of the predicted weight formula is not known: Patient.gender, a sex parameter "
    "for clinical use, an Observation of sex, or the parameter sex-for-formula says it.",
    ProblemKind.CHILD: "The patient is no adult by the birth date.",
    ProblemKind.AGE_UNCLEAR: "The birth date leaves open whether the patient is an adult.",
    ProblemKind.HEIGHT_RANGE: "A height is beyond what is computed for adults: look at its value and unit.",
    ProblemKind.HEIGHT_CONFLICT: "Heights contradict one another.",
    ProblemKind.SEX_CONFLICT: "Statements of sex contradict one another.",
}
"""What is told of a person here, in place of sentences that hold a height or an age."""


def _trial(met: Sequence[ResourceMet], tally: Tally, content: bytes, context: RequestContext) -> tuple[str, ...]:
    """Whether a trial can be read, and what is missing for one, as sentences."""
    if tally.patients > 1:
        return (f"Not looked for: a trial is of one patient, and these are {tally.patients}. Inspect one of them.",)
    read = [one for one in met if one.resource["resourceType"] in _READ_FOR_A_TRIAL]
    body = content if b'"Parameters"' in content[:200] else collection_of(read)
    try:
        found = answer_request(TITRATE_PEEP, body, context)
    except Rejected as rejected:
        told = [
            _OF_PERSON.get(one.kind) or (f"{one.sentence} And {more} more." if more else one.sentence)
            for one, more in each_once(rejected.problems)
        ]
        return tuple(dict.fromkeys(told))
    return (f"One can be read: {len(found.titration.trial.steps)} steps of PEEP.",)
