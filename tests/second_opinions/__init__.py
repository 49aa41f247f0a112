"""Published procedures that no command needs, kept to check those that one does."""
