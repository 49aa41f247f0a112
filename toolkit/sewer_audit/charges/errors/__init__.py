"""Which known error the figures of an invoice fit."""
