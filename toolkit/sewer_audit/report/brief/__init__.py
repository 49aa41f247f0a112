"""The uncertainty brief for management, on two pages."""
