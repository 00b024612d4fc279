"""Writes the reference of all settings beside this file, and a JSON Schema of each file that a site signs.

Usage: python deploy/guide/settings.py
"""

from __future__ import annotations

import re
from inspect import cleandoc
from pathlib import Path
from typing import Any

import msgspec
from pydantic import SecretStr
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from ebbmark.fhir.reading.site_file import SCHEMAS
from ebbmark.settings import PREFIX, Settings

FILE = Path(__file__).with_name("settings.md")

# Heading, when these are needed, and which names: the first pattern that fits counts.
SECTIONS = (
    (
        "Serving",
        "Needed: `BASE_URL` wherever callers come from another machine. The rest has defaults.",
        r"host|port|base_url|max_.*|.*_at_once|answer_deadline_s|request_deadline_s|drain_s|time_zone|demo|documentation_url",
    ),
    ("Telemetry", "Needed: none.", r"log_level|metrics_.*|traces_.*"),
    (
        "The site's own codes and rules",
        "Needed: `CODE_MAP` where the record uses local codes; `STOP_LIMITS` where the site has signed its own. Code "
        "maps are ConceptMaps and value sets ValueSets of FHIR R4; of the other files there is a JSON Schema: "
        + ", ".join(f"[{name}](site-files/{name}.schema.json)" for name in SCHEMAS)
        + ". `ebbmark check-settings` names each fault with its element, what was found and what is accepted.",
        r"messages|code_map|charting|value_sets|protocols|stop_limits|accept_preliminary",
    ),
    (
        "The record",
        "Needed: `RECORD_BASE_URL` to read patients or write results, with one way of signing in to it "
        "(`RECORD_TOKEN`, `RECORD_CLIENT_ID` with `SIGNING_KEYS`, or `RECORD_CERTIFICATE`); `PRIVATE_NETWORKS` for one "
        "inside the house.",
        r"record_.*|private_networks|plain_http_hosts",
    ),
    (
        "The bridge",
        "Needed only for `ebbmark bridge` ([bridge](bridge.md)): `RECORD_BASE_URL`, `BRIDGE_ASSIGNERS`, and "
        "`BRIDGE_NETWORKS` or `BRIDGE_CLIENT_AUTHORITIES` wherever senders are another machine.",
        r"bridge_.*",
    ),
    (
        "Who may call",
        "Needed: `ISSUERS` (or `CDS_CLIENTS`, `SMART_CLIENTS`) wherever callers come from another machine.",
        r"issuers|audience|administrator_scope|accepted_algorithms|clock_leeway_s|oldest_token_s|authentication|request.*|cds_.*|trusted_proxies|shared_store_url",
    ),
    (
        "The page in a record",
        "Needed: `SMART_CLIENTS` and `COOKIE_KEYS` for the page; the rest has defaults.",
        r"smart_.*|cookie_keys|session_hours|page_.*",
    ),
    ("Signatures and audit", "Needed: `SIGNING_KEYS` where answers are signed.", r"sign_results|signing_keys|audit_.*"),
)
SECRET_FILES = {"signing_keys", "cookie_keys", "record_certificate_key", "bridge_certificate"}
HEAD = """# Settings

Environment variables. Read once at the start; a setting that cannot be used, does not go with another or is misspelt
stops the start with one sentence that names it. Lists and objects are JSON. *Secret* marks what belongs into a Secret
or a file that only the service can read, and is never shown in a log line.

Made from the settings class by `deploy/guide/settings.py`.
"""


def secret(name: str, field: FieldInfo) -> str:
    """Whether a setting is one, or names a file that is."""
    if name in SECRET_FILES:
        return "its file"
    if name == "smart_clients":
        return "where it holds client_secret"
    return "yes" if str(SecretStr.__name__) in str(field.annotation) else ""


def kind(field: FieldInfo) -> str:
    """Type in words."""
    shown = str(field.annotation)
    if "Literal" in shown and "tuple" not in shown:
        return ", ".join(f"`{one}`" for one in re.findall(r"'([^']+)'", shown))
    if "dict" in shown:
        return "object (JSON)"
    if "tuple" in shown:
        return "list (JSON)"
    for name, words in (("bool", "true or false"), ("int", "whole number"), ("float", "number"), ("Path", "file")):
        if re.search(rf"\b{name}\b", shown):
            return words
    return "text"


def default(value: Any) -> str:  # noqa: ANN401
    """Default as one would write it."""
    if value is None or value in ((), {}) or value is PydanticUndefined:
        return "unset"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, tuple):
        return "`[" + ", ".join(f'"{one}"' for one in value) + "]`"
    return f"`{value}`"


def bounds(field: FieldInfo) -> str:
    """Bounds in words, with a space before them."""
    signs = {"gt": "above", "ge": "from", "lt": "below", "le": "to"}
    found = [
        f"{words} {getattr(one, sign):,g}"
        for one in field.metadata
        for sign, words in signs.items()
        if hasattr(one, sign)
    ]
    return f" ({' '.join(found)})" if found else ""


def sections() -> dict[str, list[str]]:
    """Names by heading.

    Raises:
        ValueError: a setting belongs to no section.
    """
    found: dict[str, list[str]] = {heading: [] for heading, _, _ in SECTIONS}
    for name in Settings.model_fields:
        heading = next((heading for heading, _, pattern in SECTIONS if re.fullmatch(pattern, name)), None)
        if heading is None:
            raise ValueError(f"{name} belongs to no section of the reference: name it in SECTIONS")
        found[heading].append(name)
    return found


def schemas() -> dict[Path, str]:
    """JSON Schema of each file that a site signs, by the place where it is published."""
    folder = FILE.parent / "site-files"
    made = {name: msgspec.json.schema(shape) for name, shape in SCHEMAS.items()}
    for one in made.values():
        for part in one["$defs"].values():
            part.update({name: cleandoc(text) for name, text in part.items() if name == "description"})
    shown = {name: msgspec.json.format(msgspec.json.encode(one), indent=1).decode() for name, one in made.items()}
    return {folder / f"{name}.schema.json": f"{text}\n" for name, text in shown.items()}


def reference() -> str:
    """The page."""
    parts = [HEAD]
    needed = {heading: words for heading, words, _ in SECTIONS}
    for heading, names in sections().items():
        parts += [
            f"## {heading}",
            needed[heading],
            "| setting | type | default | secret | meaning |\n|---|---|---|---|---|",
        ]
        rows = []
        for name in names:
            field = Settings.model_fields[name]
            meaning = (field.description or "").replace("|", "\\|")
            cells = (
                f"`{PREFIX}{name.upper()}`",
                kind(field) + bounds(field),
                default(field.default),
                secret(name, field),
            )
            rows.append(f"| {' | '.join(cells)} | {meaning} |")
        parts[-1] += "\n" + "\n".join(rows)
    return "\n".join(f"{part.strip()}\n" for part in parts)


if __name__ == "__main__":
    FILE.write_text(reference(), encoding="utf-8")
    for place, text in schemas().items():
        place.parent.mkdir(exist_ok=True)
        place.write_text(text, encoding="utf-8")
