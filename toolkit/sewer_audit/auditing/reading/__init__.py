"""Every input of a case, read, and what can be told before anything is computed."""
