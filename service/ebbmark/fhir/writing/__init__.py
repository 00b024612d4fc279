"""FHIR out: an answer as resources, as a transaction, as text."""
