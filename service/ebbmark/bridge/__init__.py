"""The bridge: device messages in HL7 v2 over MLLP come in, go to the record as FHIR, and are then acknowledged."""
