"""Partly full and full conduits."""
