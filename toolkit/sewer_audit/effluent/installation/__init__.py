"""What the checklist asks, and what the record says of the answers."""
