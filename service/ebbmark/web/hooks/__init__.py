"""The CDS Hooks door: decision support at the moments of a clinician's work that the standard names."""
