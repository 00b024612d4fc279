"""Pure numbers about one patient's lungs: no FHIR, no network, no settings, no clock.

What is not described in a function means the same everywhere. `readings`: of one patient, in any order. `trial`: its
decremental limb, steps with the highest PEEP first. `closing`: the estimate of its closing pressure. `protocol`: the
rules for reading a trial. `limits`: the stop limits in force. `at_s`: the instant that counts as now, `since_s`: start
of the trial, `began_s`: when PEEP was first moved for it, `titrated_s`: when PEEP was set after it. An instant ends in
`_s` and is in seconds since 1970-01-01T00:00:00Z; every other number carries its unit in its name or in brackets.
"""
