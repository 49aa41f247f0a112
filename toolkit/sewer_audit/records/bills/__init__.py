"""Invoices as records: which are in force, what they carry over."""
