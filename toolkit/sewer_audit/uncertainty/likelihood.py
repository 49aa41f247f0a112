"""From which ratio of likelihoods on a rival counts as excluded."""

POSITIVE, STRONG, VERY_STRONG = 3.0, 20.0, 150.0
"""Bounds of the scale of R. Kass and A. Raftery, J. Amer. Statist. Assoc. 90 (1995) 773 [-]."""
