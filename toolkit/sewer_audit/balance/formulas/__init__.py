"""How each use or inflow is worked out."""
