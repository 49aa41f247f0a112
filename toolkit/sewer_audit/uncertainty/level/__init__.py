"""The zero of a level instrument and the noise of its readings."""
