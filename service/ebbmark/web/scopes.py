"""Do these scopes allow this? SMART scopes of version 2, and of version 1 as version 2 translates them.

`system/` and `user/` scopes count. `patient/` scopes do not: they bind a token to one patient, which a door that takes
the patient's data in the request cannot check. A scope narrowed by a query (`?category=…`) does not allow the whole
and so does not count either.

Source: SMART App Launch 2.2, scopes-and-launch-context (letters c r u d s in this order; v1 read = rs, write = cud).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["EVALUATE", "READ_CONDITIONS", "READ_INFUSIONS", "WRITE_BACK", "Permission", "allows"]

_SCOPE = re.compile(r"(?:system|user)/(?P<type>[A-Z][A-Za-z]*|\*)\.(?P<letters>c?r?u?d?s?|read|write|\*)")
_V1 = {"read": "rs", "write": "cud", "*": "cruds"}


@dataclass(frozen=True, slots=True)
class Permission:
    """What something needs: all of these letters on this resource type."""

    resource_type: str
    letters: str

    @property
    def scope(self) -> str:
        """As the scope that a client would ask for."""
        return f"system/{self.resource_type}.{self.letters}"


EVALUATE = Permission("Observation", "rs")
"""To have a trial read and answered."""
READ_CONDITIONS = Permission("Condition", "rs")
"""To have the Conditions of a patient read from the record as well."""
READ_INFUSIONS = Permission("MedicationAdministration", "rs")
"""To have vasopressors read from the record as well; without it the answer says that they were not."""
WRITE_BACK = Permission("Observation", "c")
"""To have the answer put into the record as well."""


def allows(scopes: Iterable[str], needed: Permission) -> bool:
    """Say whether the scopes, taken together, allow what is needed.

    Args:
        scopes: as granted, one scope each; those that are not understood count for nothing.
        needed: resource type and letters.
    """
    held: set[str] = set()
    for scope in scopes:
        match = _SCOPE.fullmatch(scope)
        if match is not None and match["type"] in ("*", needed.resource_type):
            held.update(_V1.get(match["letters"], match["letters"]))
    return held.issuperset(needed.letters)
