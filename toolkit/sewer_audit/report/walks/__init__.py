"""Walks through one step each, for a notebook."""
