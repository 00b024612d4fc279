"""The patient beside the curve: what each step saw, and the checks before a number is given."""
