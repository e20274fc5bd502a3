"""The binomial mixed model with crossed random intercepts.

Others call `fit.fit_mixed`, which searches the likelihoods of `laplace`.
"""
