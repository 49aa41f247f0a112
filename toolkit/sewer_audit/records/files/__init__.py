"""Files of every kind to rows of text, numbers and columns."""
