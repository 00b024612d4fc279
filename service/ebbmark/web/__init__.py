"""The doors: each parses its protocol, asks a use case, shapes its reply."""
