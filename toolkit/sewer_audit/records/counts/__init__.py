"""Registers: counts on a dial to volume."""
