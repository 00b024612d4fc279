"""Which of the parameters of a request are ours to read, and what is left for the reader that all questions share?"""

from __future__ import annotations

from ebbmark.fhir.bedside.asked import OWN_PARAMETERS, READERS, Asked
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.parameters import FROM_RECORD
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.shapes import Bundle, Other, Parameter, Parameters

__all__ = ["without_ours"]

OF_A_RECORD = frozenset(row.name for row in FROM_RECORD)

_TAKEN_BY_US = Other()
"""Stands where a parameter was that is read here, so that the others keep their places."""


def without_ours(decoded: Parameters | Bundle, taken: tuple[str, ...], asked: Asked, site: Site) -> Parameters | Bundle:
    """The request as `take_apart` knows it; our own parameters are read, and a blank keeps each one's place.

    Args:
        decoded: the request.
        taken: names of the parameters that the question takes.
        asked: what else was asked; filled here.
        site: what the site has decided.
    """
    if isinstance(decoded, Bundle):
        return decoded
    kept: list[Parameter] = []
    seen: set[str] = set()
    for number, given in enumerate(decoded.parameter):
        path, name = f"Parameters.parameter[{number}]", given.name
        ours = name in READERS or name in OWN_PARAMETERS or name in OF_A_RECORD
        if type(given.resource) is Other or (name in taken and not ours):
            kept.append(given)
            continue
        kept.append(Parameter("", _TAKEN_BY_US))
        if name in OF_A_RECORD and name in taken:
            asked.problems.append(_without_record(name, path))
        elif name not in taken:
            accepted = ", ".join(taken)
            sentence = f"There is no parameter {name[:60]!r}; accepted: {accepted}."
            asked.problems.append(Problem(ProblemKind.UNKNOWN_PARAMETER, f"{path}.name", name[:60], accepted, sentence))
        elif name == "condition":
            if type(given.resource).__name__ != "Condition":
                sentence = "The parameter condition needs resource: a Condition."
                asked.problems.append(Problem(ProblemKind.BAD_PARAMETER, path, "another", "a Condition", sentence))
        elif name in seen and OWN_PARAMETERS[name].maximum == "1":
            sentence = f"The parameter {name} may be given once."
            asked.problems.append(Problem(ProblemKind.REPEATED_PARAMETER, path, name, "once", sentence))
        else:
            READERS[name](given, path, asked, site)
        seen.add(name)
    return Parameters(kept)


def _without_record(name: str, path: str) -> Problem:
    """A parameter that says what to read from a record, where none is read."""
    accepted = "patient-reference, and a service whose record_base_url is set"
    sentence = f"The parameter {name} is of use only with {accepted}."
    return Problem(ProblemKind.BAD_PARAMETER, path, name, accepted, sentence)
