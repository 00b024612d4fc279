"""Pure numbers about one patient's lungs: no FHIR, no network, no settings, no clock."""

__all__: list[str] = []
