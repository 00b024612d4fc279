"""What the service publishes of itself: OperationDefinitions, CapabilityStatement, PlanDefinitions, and their search.

All are made from the tables that the reader uses (FHIR R4). In a PlanDefinition each number stands with its source, and
each that is not verified is said to be so. Canonical addresses are identifiers, see `naming`; the address of a running
service is an argument.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/plandefinition.html; search.html (string, token and uri parameters; a
comma lists alternatives) and the search parameters of the conformance resources.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from urllib.parse import urlencode

from ebbmark import __version__
from ebbmark.fhir.naming import BASE, DEFINITIONS_DATE, operation_url
from ebbmark.fhir.operations import (
    BY_SLUG,
    FROM_RECORD,
    OF_A_RECORD,
    PARAMETERS,
    REPLAY_INPUTS,
    REPLAY_OUTPUTS,
    Operation,
    Parameter,
)
from ebbmark.fhir.reading.request import Site
from ebbmark.fhir.writing.terms import OWN, standard
from ebbmark.physiology.before.staircase import Cell, StaircaseRules, origin_words
from ebbmark.physiology.protocols import Protocol
from ebbmark.words.messages import spell

_REPLAY_PARTS = (("kind", "code"), ("path", "string"), ("expected", "string"), ("found", "string"))


def definition_of(operation: Operation) -> dict[str, object]:
    """FHIR R4 OperationDefinition."""
    rows = [PARAMETERS[name] for name in operation.parameters if name not in OF_A_RECORD]
    rows += [_of_a_record(row, operation) for row in FROM_RECORD]
    output = Parameter("return", "Bundle", 1, "1", operation.returns, "resource")
    return {
        **_operation(operation.slug, operation.title, operation.description),
        # Only with write-back, and then in another system; still enough to keep the operation from being a GET.
        "affectsState": True,
        "code": operation.slug,
        "comment": (
            "Every result is preliminary, every plan a draft. What cannot be read or used is refused with an "
            "OperationOutcome (400 or 422) that names every problem. There is no GET: with write-back the operation "
            "changes the record, and FHIR allows a GET only for operations that never change a state."
        ),
        # At the address of a patient of the record, the patient is not named in the body again.
        "resource": ["Patient"],
        "system": True,
        "type": False,
        "instance": True,
        "parameter": [*[_defined(row, "in") for row in rows], _defined(output, "out")],
    }


def _operation(slug: str, title: str, description: str) -> dict[str, object]:
    return {
        "resourceType": "OperationDefinition",
        "id": slug,
        "url": operation_url(slug),
        "version": __version__,
        "name": _name(slug),
        "title": title,
        "status": "active",
        "kind": "operation",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
        "description": description,
    }


def _name(slug: str) -> str:
    return "".join(part.capitalize() for part in slug.split("-"))


def replay_definition() -> dict[str, object]:
    """FHIR R4 OperationDefinition of `$replay`."""
    outputs = [_defined(row, "out") for row in REPLAY_OUTPUTS]
    difference = outputs[-1]
    del difference["type"]
    difference["part"] = [
        *[{"name": name, "use": "out", "min": 0, "max": "1", "type": kind} for name, kind in _REPLAY_PARTS],
        {"name": "sentence", "use": "out", "min": 1, "max": "1", "type": "string"},
    ]
    description = (
        "Reads the inputs of a stored answer in the versions that it names, computes it again with the same "
        "protocol, and says that both are the same, or names each difference: an input amended since or gone, "
        "another engine or protocol version, a stored value that the inputs do not give. Checks the signature, too."
    )
    return {
        **_operation("replay", "Compute a stored answer again", description),
        "affectsState": False,
        "code": "replay",
        "system": True,
        "type": False,
        "instance": False,
        "parameter": [*[_defined(row, "in") for row in REPLAY_INPUTS], *outputs],
    }


def _defined(row: Parameter, use: str) -> dict[str, object]:
    """FHIR R4 OperationDefinition.parameter; `use` is in or out."""
    return {
        "name": row.name,
        "use": use,
        "min": row.minimum,
        "max": row.maximum,
        "documentation": row.documentation,
        "type": row.fhir_type,
    }


def _of_a_record(row: Parameter, operation: Operation) -> Parameter:
    """What the three parameters of a record mean for this question."""
    also = ", charted changes of position and ventilator mode" if operation.reads_changes else ""
    if operation.reads_conditions:
        also += (
            ", all Conditions, Procedures such as extracorporeal support, and vasopressors (MedicationAdministration)"
        )
    hours, least = operation.hours_back, operation.least_hours
    fewer = f" (fewer, {least:g} at least, where that is more than may be read)" if least < hours else ""
    return replace(row, documentation=row.documentation.format(also=also, hours=hours, least=fewer))


FHIR_VERSION = "4.0.1"

_READ = ("CodeSystem", "ConceptMap", "OperationDefinition", "PlanDefinition", "ValueSet")


@dataclass(frozen=True, slots=True)
class SignInInfo:
    """What callers are told of how they sign in."""

    issuers: tuple[str, ...]
    token_url: str
    scopes: tuple[str, ...]


def smart_configuration(told: SignInInfo) -> dict[str, object]:
    """The smart-configuration of a server that only checks tokens, or that has no place where they are given to tell.

    Nobody authorizes here, so authorization_endpoint, code_challenge_methods_supported and capabilities of launch and
    client are left out: they belong to the issuer.

    Source: SMART App Launch 2.2, conformance (token_endpoint, grant_types_supported, scopes_supported, capabilities);
    `authorization_servers` and `bearer_methods_supported` as in RFC 9728.
    """
    return {
        "token_endpoint": told.token_url,
        "grant_types_supported": ["client_credentials"],
        "scopes_supported": list(told.scopes),
        "capabilities": ["permission-user", "permission-v1", "permission-v2"],
        "authorization_servers": list(told.issuers),
        "bearer_methods_supported": ["header"],
    }


def _security(told: SignInInfo) -> dict[str, object]:
    service = "SMART-on-FHIR" if told.token_url else "OAuth"
    system = "http://terminology.hl7.org/CodeSystem/restful-security-service"
    where = f" Tokens are given at {told.token_url} (see .well-known/smart-configuration)." if told.token_url else ""
    return {
        "cors": False,
        "service": [{"coding": [{"system": system, "code": service, "display": service}]}],
        "description": f"Operations need a bearer token of {' or '.join(told.issuers) or 'an issuer: none is trusted'} "
        f"that grants system/Observation.rs, and system/Observation.c for write-back; understood scopes: "
        f"{', '.join(told.scopes)}.{where} Definitions are open.",
    }


def capability_statement(*, base_url: str, sign_in: SignInInfo | None = None) -> dict[str, object]:
    """FHIR R4 CapabilityStatement of the running service."""
    return {
        "resourceType": "CapabilityStatement",
        "id": "ebbmark",
        "name": "Ebbmark",
        "title": "Ebbmark: decision support for PEEP titration",
        "status": "active",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
        "description": (
            "Stateless decision support: reads a decremental PEEP trial, answers with preliminary results. "
            "Not a medical device; local protocol and licensed practice decide."
        ),
        "kind": "instance",
        "software": {"name": "Ebbmark", "version": __version__},
        "implementation": {"description": "Ebbmark decision support service", "url": base_url},
        "fhirVersion": FHIR_VERSION,
        "format": ["json"],
        "rest": [
            {
                "mode": "server",
                **({"security": _security(sign_in)} if sign_in is not None else {}),
                "documentation": "Operations, and the definitions that describe them; nothing is stored.",
                "resource": [
                    {
                        "type": kind,
                        "interaction": [{"code": "read"}, {"code": "search-type"}],
                        "searchParam": [
                            {"name": name, "type": kind_of_search} for name, kind_of_search in SEARCH_PARAMETERS.items()
                        ],
                    }
                    for kind in _READ
                ],
                "operation": [{"name": slug, "definition": operation_url(slug)} for slug in (*BY_SLUG, "replay")],
            }
        ],
    }


Json = dict[str, object]

_TYPE = standard("plan-definition-type", "clinical-protocol", "Clinical Protocol")
_NAMED = frozenset({"slug", "version", "title", "citation"})


def plan_definitions(site: Site) -> dict[str, Json]:
    """Every protocol and staircase in force here, by slug."""
    readings = {protocol.slug: _of_protocol(protocol) for protocol in site.protocols}
    return readings | {staircase.slug: _of_staircase(staircase) for staircase in site.staircases}


def _frame(slug: str, version: str, title: str, description: str, citation: str, actions: list[Json]) -> Json:
    return {
        "resourceType": "PlanDefinition",
        "id": slug,
        "url": f"{BASE}/PlanDefinition/{slug}",
        "version": version,
        "name": _name(slug),
        "title": title,
        "type": _TYPE,
        "status": "active",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
        "description": description,
        "relatedArtifact": [{"type": "citation", "citation": citation}],
        "action": actions,
    }


def _of_protocol(protocol: Protocol) -> Json:
    """Rules for reading a trial; the citation says where each value comes from."""

    def shown(value: object) -> str:
        return ", ".join(f"{one:g}" for one in value) if isinstance(value, tuple) else str(value)

    rules: list[Json] = [
        {"title": field.name, "description": f"{field.name}: {shown(getattr(protocol, field.name))}"}
        for field in fields(Protocol)
        if field.name not in _NAMED
    ]
    description = "Rules for reading a decremental PEEP trial; the trial itself is not described here."
    return _frame(protocol.slug, protocol.version, protocol.title, description, protocol.citation, rules)


def _of_staircase(rules: StaircaseRules) -> Json:
    reopens = {
        True: "The lung is opened again before PEEP is set.",
        False: "",
        None: "Whether it opens again: not read.",
    }
    margin = f"Margin on the {rules.margin_on} level: {_cell(rules.margin_cmh2o, 'cmH2O')}."
    rule = f"Rule: {rules.rule}." if rules.rule else "How the marker names a level was not verified."
    actions: list[Json] = []
    climb = rules.recruitment
    if climb is not None:
        above = climb.pressure_above_peep_cmh2o
        lines = (
            f"PEEP step: {_cell(climb.peep_rise_cmh2o, 'cmH2O')}",
            f"top PEEP: {_cell(climb.peep_top_cmh2o, 'cmH2O')}",
            f"pressure above PEEP: {_cell(above, 'cmH2O') if above is not None else 'as it is'}",
            f"pressure step: {_cell(climb.pressure_rise_cmh2o, 'cmH2O')}",
            f"peak: {_cell(climb.peak_top_cmh2o, 'cmH2O')}",
            f"each held: {_cell(climb.hold_s, 's')}",
        )
        text = f"{'; '.join(lines)}. Only on explicit choice: guidelines recommend against prolonged manoeuvres."
        actions.append(_action("recruitment", "Way up with recruitment", text))
    down = (
        f"First PEEP: {_cell(rules.start_cmh2o, 'cmH2O')}",
        f"step: {_cell(rules.decrement_cmh2o, 'cmH2O')}",
        f"lowest PEEP: {_cell(rules.lowest_cmh2o, 'cmH2O')}",
        f"each held: {_cell(rules.dwell_s, 's')}",
    )
    actions.append(_action("descent", "Way down", f"{'; '.join(down)}. Watched: {rules.marker.value}. {rule}"))
    actions.append(_action("set", "Setting", f"{margin} {reopens[rules.reopens]}".strip()))
    description = rules.remark or "How a decremental PEEP trial is performed. A description, never an order."
    return _frame(rules.slug, rules.version, rules.title, description, rules.citation, actions)


def _action(phase: str, title: str, text: str) -> Json:
    return {"title": title, "description": text, "code": [OWN[f"phase-{phase}"]]}


def _cell(cell: Cell, unit: str) -> str:
    if cell.value is None:
        return f"not verified ({cell.source})"
    return f"{cell.value:g} {unit} ({spell(origin_words(cell))})"


SEARCH_PARAMETERS = {"_id": "token", "url": "uri", "name": "string", "version": "token", "status": "token"}


def matches(resource: Mapping[str, object], name: str, text: str) -> bool:
    """Whether a definition is among those that one search parameter names; a comma parts alternatives."""
    value = str(resource.get("id" if name == "_id" else name, ""))
    kind = SEARCH_PARAMETERS[name]
    for one in text.split(","):
        if kind == "string" and value.casefold().startswith(one.casefold()):
            return True
        if value == (one.rpartition("|")[2] if kind == "token" else one):
            return True
    return False


def searchset(
    kind: str, found: Sequence[Mapping[str, object]], base_url: str, asked: Sequence[tuple[str, str]]
) -> dict[str, object]:
    """FHIR R4 Bundle of type searchset."""
    base = base_url.rstrip("/")
    entries = [
        {"fullUrl": f"{base}/{one['resourceType']}/{one['id']}", "resource": one, "search": {"mode": "match"}}
        for one in found
    ]
    address = f"{base}/{kind}?{urlencode(asked)}" if asked else f"{base}/{kind}"
    return {
        "resourceType": "Bundle",
        "type": "searchset",
        "total": len(found),
        "link": [{"relation": "self", "url": address}],
        **({"entry": entries} if entries else {}),
    }
