"""A printed bill held against itself, link by link; the ledger; what may be claimed."""
