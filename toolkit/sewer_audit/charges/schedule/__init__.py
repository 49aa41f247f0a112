"""The rate schedule as validated tables."""
