"""Small numbers that every room of arithmetic shares, each once.

`numbers` (binomial, t and normal, sums by level, normality, what can be compared at all, p values as said),
`multiplicity` (Holm, Benjamini–Hochberg, max-t, shrinkage), `crossed` (the equations of crossed random intercepts,
which survival, the screen of set-ups and regions solve). Nothing here knows a tank.
"""
