"""The page of codes that are read, made from the table of codes."""

from __future__ import annotations

from pathlib import Path

from ebbmark.fhir.codesystem import display_of
from ebbmark.fhir.naming import LOINC, MDC
from ebbmark.fhir.reading.codes import MEANINGS, OWN_QUANTITIES, RANGES, ROWS, CodeRow
from ebbmark.fhir.reading.units import ACCEPTED
from ebbmark.physiology.readings import Quantity

FILE = Path(__file__).parent / "codes.md"

HEAD = f"""# Codes that are read

Made from the table of codes by `deploy/guide/codes.py`. The same stands on a running service as
`CodeSystem/quantities`, `ValueSet/readable-codes` and `ConceptMap/standard-codes`.

A record with other codes needs a FHIR R4 ConceptMap (`EBBMARK_CODE_MAP`, a file or a folder). Five lines are enough:

```json
{{"resourceType": "ConceptMap", "status": "active", "group": [{{
  "source": "urn:example:chart",
  "target": "{OWN_QUANTITIES}",
  "element": [{{"code": "PEEP-S", "target": [{{"code": "peep-set", "equivalence": "equivalent"}}]}}]
}}]}}
```

`ebbmark inspect FILE --format concept-map` drafts it from charted data. Rows that are not `equal` or `equivalent`, and
rows for other targets, are counted and left. A group without `source` maps codes that come without a system. What a
ConceptMap cannot say stands in the charting table (`EBBMARK_CHARTING`), signed by a clinician of the site; each row
names its source, and every list may be left out:

```json
{{"version": "1", "signed_by": "Dr A. Invented", "signed_on": "2026-02-01",
 "time_zone": {{"name": "Europe/Vienna", "source": "the record's manual, page 12"}},
 "units": [{{"system": "", "unit": "ML", "ucum": "mL", "source": "ward meeting of 2026-01-15"}}],
 "texts": [{{"text": "PEEP set", "means": "peep-set", "source": "ward meeting of 2026-01-15"}}],
 "codes": [{{"system": "", "code": "PEEP-S", "means": "peep-set", "source": "ward meeting of 2026-01-15"}}],
 "numbers": [{{"system": "", "code": "PEEP-S", "ucum": "cm[H2O]", "source": "ward meeting of 2026-01-15"}}],
 "systems": [{{"system": "urn:example:loinc", "same_as": "http://loinc.org", "source": "the record's manual"}}]}}
```

`units` says what a spelling of a unit means; `texts` what `code.text` means where no coding is known; `codes` what a
code means; `numbers` in which unit numbers without one are under a code (`valueInteger`, `valueString`,
`valueQuantity`); `time_zone` where times without a zone were charted (an hour that a clock shows twice or never is not
read); `systems` which code system is a standard one under another name. With `texts`, all Observations of the
patient and time are read from the record, whatever their codes, since no search by codes finds them; heights and sex by
text are read of that time only. Where that is more than may be read, the question is refused.
"""
SYSTEMS = {LOINC: "LOINC", MDC: "MDC"}


def page() -> str:
    """The page."""
    parts = [HEAD, "## By meaning\n\n| code of ours | units | codes |\n|---|---|---|"]
    for slug, meaning in MEANINGS.items():
        rows = [row for row in ROWS if row.meaning is meaning]
        listed = ", ".join(f"{_named(row)}{'*' if row.ambiguous else ''}" for row in rows)
        parts.append(f"| `{slug}` {display_of(slug)} | {_units(meaning)} | {listed or 'none'} |")
    parts.append(
        "\n\\* in use for settings and measurements: the category of the DeviceMetric tells them apart.\n\n"
        "## Known and not read\n\n| code | name | why |\n|---|---|---|"
    )
    parts += [f"| {_named(row)} | {row.display} | {row.reason} |" for row in ROWS if row.meaning is None]
    return "\n".join(parts) + "\n"


def _units(meaning: object) -> str:
    if not isinstance(meaning, Quantity):
        return "cm, m, mm, [in_i], [ft_i]" if type(meaning).__name__ == "HeightKind" else ""
    low, high = RANGES[meaning]
    return f"{ACCEPTED[meaning.unit]} ({low:g} to {high:g}{'' if meaning.unit == '1' else ' ' + meaning.unit})"


def _named(row: CodeRow) -> str:
    return f"{SYSTEMS.get(row.system, 'SNOMED CT')} {row.code}"


if __name__ == "__main__":
    FILE.write_text(page(), encoding="utf-8")
