"""The quarterly cost review."""
