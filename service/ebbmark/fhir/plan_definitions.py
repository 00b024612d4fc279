"""Protocols as FHIR PlanDefinitions: each number with its source, each not verified said to be so.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/plandefinition.html.
"""

from __future__ import annotations

from dataclasses import fields

from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.codesystem import BASE, DEFINITIONS_DATE
from ebbmark.fhir.writing.terms import OWN, standard
from ebbmark.physiology.before.staircase import Cell, StaircaseRules, origin_words
from ebbmark.physiology.protocols import Protocol

__all__ = ["plan_definitions"]

Json = dict[str, object]

_TYPE = standard("plan-definition-type", "clinical-protocol", "Clinical Protocol")
_NAMED = frozenset({"slug", "version", "title", "citation"})


def plan_definitions(site: Site) -> dict[str, Json]:
    """Every protocol and staircase in force here, by slug.

    Args:
        site: what the site has decided.
    """
    readings = {one.slug: _of_protocol(one) for one in site.protocols}
    return readings | {one.slug: _of_staircase(one) for one in site.staircases}


def _frame(slug: str, version: str, title: str, description: str, citation: str, actions: list[Json]) -> Json:
    return {
        "resourceType": "PlanDefinition",
        "id": slug,
        "url": f"{BASE}/PlanDefinition/{slug}",
        "version": version,
        "name": "".join(part.capitalize() for part in slug.split("-")),
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
    rules: list[Json] = [
        {"title": field.name, "description": f"{field.name}: {_shown(getattr(protocol, field.name))}"}
        for field in fields(Protocol)
        if field.name not in _NAMED
    ]
    description = "Rules for reading a decremental PEEP trial; the trial itself is not described here."
    return _frame(protocol.slug, protocol.version, protocol.title, description, protocol.citation, rules)


def _shown(value: object) -> str:
    return ", ".join(f"{one:g}" for one in value) if isinstance(value, tuple) else str(value)


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
    return f"{cell.value:g} {unit} ({origin_words(cell)})"
