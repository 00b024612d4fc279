"""What charted data hold, before anybody maps them: a profile of codes, units and shapes, without patient data."""
