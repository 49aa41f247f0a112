"""The invented worlds behind the samples: what truly happened, and what was written down of it.

Nothing here may import the toolkit. The physics is written out once more in `physics`, so that the
toolkit's answers can be compared with something that does not share its mistakes.
"""
