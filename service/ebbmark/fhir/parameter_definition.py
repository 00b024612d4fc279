"""How does an OperationDefinition describe one parameter?"""

from __future__ import annotations

from ebbmark.fhir.parameters import Parameter

__all__ = ["defined"]


def defined(row: Parameter, use: str) -> dict[str, object]:
    """FHIR R4 OperationDefinition.parameter.

    Args:
        row: the parameter.
        use: `in` or `out`.
    """
    return {
        "name": row.name,
        "use": use,
        "min": row.minimum,
        "max": row.maximum,
        "documentation": row.documentation,
        "type": row.fhir_type,
    }
