"""A quarter beside those before it."""
