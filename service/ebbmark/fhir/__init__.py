"""The translator: FHIR JSON in, FHIR JSON out; knows no network and no web framework."""
