"""The monitoring plan."""
