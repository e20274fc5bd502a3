"""Small numbers that every room of arithmetic shares, each once.

`numbers` (logit and binomial, t and normal, sums by level, p values as said), `normality`, `multiplicity` (Holm,
Benjamini–Hochberg, max-t, shrinkage), `connectivity` (what can be compared at all). Nothing here knows a tank.
"""
