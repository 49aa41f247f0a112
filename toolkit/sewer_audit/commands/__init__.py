"""The words of ``sewer-audit``, one module each; nothing heavy is imported before it is needed."""
