"""Screening: statuses and marks by named rules."""
