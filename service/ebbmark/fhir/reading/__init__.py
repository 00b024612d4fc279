"""FHIR in: bytes to one valid request, and everything that was left out with its reason."""
