"""Prints the software bill of materials of the image as CycloneDX 1.5 JSON: Python packages, and those of the base.

Holds no time and no serial number, so that equal images have equal bills. Source: https://cyclonedx.org/docs/1.5/json/,
package URLs https://github.com/package-url/purl-spec, licences as the packages' own metadata state them.
"""

from __future__ import annotations

import json
import re
import sys
from importlib.metadata import Distribution, distributions
from pathlib import Path

DEBIAN_STATUS = Path("/var/lib/dpkg/status")


def bill_of(folder: Path, lock: str) -> dict[str, object]:
    """The bill of a folder of packages, with the hashes that a lock file accepts."""
    hashes = hashes_of(lock)
    packages = sorted(distributions(path=[str(folder)]), key=lambda one: normal(one.metadata["Name"]))
    own = next(package for package in packages if normal(package.metadata["Name"]) == "ebbmark")
    return {
        "$schema": "http://cyclonedx.org/schema/bom-1.5.schema.json",
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": {"component": {**component(own, {}), "type": "application"}},
        "components": [*(component(package, hashes) for package in packages if package is not own), *debian_packages()],
    }


def normal(name: str) -> str:
    """The one spelling of a package name (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def hashes_of(lock: str) -> dict[str, list[str]]:
    """SHA-256 digests of the files that the lock accepts, by package."""
    found: dict[str, list[str]] = {}
    name = ""
    for line in lock.splitlines():
        if match := re.match(r"([A-Za-z0-9_.-]+)(?:\[[^]]*\])?==", line):
            name = normal(match.group(1))
        found.setdefault(name, []).extend(re.findall(r"sha256:([0-9a-f]{64})", line))
    return found


def component(package: Distribution, hashes: dict[str, list[str]]) -> dict[str, object]:
    """One Python package."""
    name, version = normal(package.metadata["Name"]), package.version
    purl = f"pkg:pypi/{name}@{version}"
    licence = licence_of(package)
    return {
        "type": "library",
        "bom-ref": purl,
        "name": name,
        "version": version,
        "purl": purl,
        **({"licenses": [licence]} if licence else {}),
        **({"externalReferences": references(hashes[name])} if hashes.get(name) else {}),
    }


def references(digests: list[str]) -> list[dict[str, object]]:
    """The files that the lock accepts; which one was installed depends on the processor."""
    place = "https://pypi.org/simple/"
    return [
        {"type": "distribution", "url": place, "hashes": [{"alg": "SHA-256", "content": digest}]} for digest in digests
    ]


def licence_of(package: Distribution) -> dict[str, object] | None:
    """What a package says of its licence: an SPDX expression, else classifiers, else its first words."""
    stated = package.metadata.get_all("License-Expression")
    if stated:
        return {"expression": stated[0]}
    classified = [
        one.rpartition("::")[2].strip()
        for one in package.metadata.get_all("Classifier") or ()
        if one.startswith("License ::") and not one.endswith("OSI Approved")
    ]
    named = " or ".join(classified) or (package.metadata.get_all("License") or [""])[0].partition("\n")[0].strip()
    return {"license": {"name": named}} if named else None


def debian_packages() -> list[dict[str, object]]:
    """The packages of a base that Debian made; none elsewhere."""
    if not DEBIAN_STATUS.is_file():
        return []
    found: dict[str, dict[str, object]] = {}
    for block in DEBIAN_STATUS.read_text(encoding="utf-8").split("\n\n"):
        fields = dict(line.split(": ", 1) for line in block.splitlines() if re.match(r"[A-Za-z-]+: ", line))
        if "installed" in fields.get("Status", "").split():
            name, version = fields["Package"], fields["Version"]
            purl = f"pkg:deb/debian/{name}@{version.replace('+', '%2B')}?arch={fields['Architecture']}"
            found[purl] = {"type": "library", "bom-ref": purl, "name": name, "version": version, "purl": purl}
    return [found[purl] for purl in sorted(found)]


if __name__ == "__main__":
    made = bill_of(Path(sys.argv[1]), Path(sys.argv[2]).read_text(encoding="utf-8"))
    print(json.dumps(made, indent=1, ensure_ascii=False))
