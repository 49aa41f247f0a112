"""Written stamps to instants in UTC."""
