"""What the costliest bodies under the limit of size cost to read."""
