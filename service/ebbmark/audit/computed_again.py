"""Which answer follows from these inputs, for one that claims this of itself?"""

from __future__ import annotations

from base64 import b64decode
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import msgspec

from ebbmark.audit.remarks import with_stored_remarks
from ebbmark.audit.stored_claims import Claims
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.reading.read import CodeMap, Limits
from ebbmark.fhir.recommendation import Recommendation
from ebbmark.fhir.writing.canonical import identity
from ebbmark.fhir.writing.normal_form import NormalForm, normal_form, resources_of
from ebbmark.fhir.writing.report import REPORT, REPORT_PROVENANCE
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.use_cases.titrate import recommend

__all__ = ["Means", "Render", "computed_again"]

Json = Mapping[str, object]
Render = Callable[[Recommendation, float], bytes]
"""Makes the page of a report, for an instant of recording [s since 1970-01-01T00:00:00Z]."""

_LIMITS = Limits(max_bytes=50_000_000, max_entries=20_000)


@dataclass(frozen=True, slots=True)
class Means:
    """What an answer is computed again with.

    Attributes:
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        code_map: the site's own codes, as at the time of the answer.
        site: what the site has decided: its protocols and codes of conditions.
        render: makes the page of a report; None where none can be made.
    """

    at_s: float
    code_map: CodeMap
    site: Site
    render: Render | None


def computed_again(
    claims: Claims, inputs: list[tuple[str, Json]], sex: str | None, stored: NormalForm, means: Means
) -> NormalForm:
    """The answer that follows from the inputs, under the engine version that the stored one names.

    Args:
        claims: what the stored answer says of itself.
        inputs: full URL (or empty) and resource of each.
        sex: form of the formula that a caller chose; None where the inputs say.
        stored: the stored answer; lends its remarks to the page of its report, or the page where none can be made.
        means: what to compute with.

    Raises:
        Rejected: no answer follows from these inputs.
    """
    entries = [{"fullUrl": url, "resource": one} if url else {"resource": one} for url, one in inputs]
    parameters: list[object] = [
        {"name": "bundle", "resource": {"resourceType": "Bundle", "type": "collection", "entry": entries}},
        {"name": "protocol", "valueString": claims.protocol.partition("|")[0]},
        {"name": "accept-preliminary", "valueBoolean": True},
    ]
    if claims.margin is not None:
        parameters.append({"name": "margin", "valueQuantity": claims.margin})
    if sex is not None:
        parameters.append({"name": "sex-for-formula", "valueCode": sex})
    body = msgspec.json.encode({"resourceType": "Parameters", "parameter": parameters})
    found = recommend(body, at_s=means.at_s, limits=_LIMITS, code_map=means.code_map, site=means.site)
    return _written(_as_of_engine(found, claims.engine_version), claims, stored, means)


def _written(recommendation: Recommendation, claims: Claims, stored: NormalForm, means: Means) -> NormalForm:
    """The results as one recording, and the report, if there is one, as another."""
    act, again = claims.results, claims.report
    form = _form(write_bundle(recommendation, recorded_s=act.recorded_s, enterer=act.enterer))
    if again is None:
        return form
    shown = with_stored_remarks(recommendation, stored)
    pdf = means.render(shown, again.recorded_s) if means.render is not None else _page_of(stored)
    with_report = _form(
        write_bundle(recommendation, recorded_s=again.recorded_s, enterer=again.enterer, report_pdf=pdf)
    )
    report = {kind: with_report.parts[kind] for kind in (REPORT, REPORT_PROVENANCE)}
    return NormalForm(form.identity, {**form.parts, **report})


def _form(bundle: Json) -> NormalForm:
    return normal_form(resources_of(bundle))


def _page_of(stored: NormalForm) -> bytes:
    forms = stored.parts.get(REPORT, {}).get("presentedForm")
    first = forms[0] if isinstance(forms, list) and forms else {}
    data = first.get("data") if isinstance(first, Mapping) else ""
    try:
        return b64decode(str(data))
    except ValueError:
        return b""


def _as_of_engine(recommendation: Recommendation, engine_version: str) -> Recommendation:
    protocol = recommendation.request.protocol
    return replace(
        recommendation,
        engine_version=engine_version,
        identity=identity(recommendation.input_digest, protocol, engine_version),
    )
