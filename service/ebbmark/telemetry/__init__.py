"""What operators see of the running service: log lines, metrics and traces, without any value of a patient."""
