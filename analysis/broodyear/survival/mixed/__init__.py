"""The binomial mixed model with crossed random intercepts.

Others call `fit.fit_mixed`. `system` solves the penalised equations, `laplace` is the likelihood, `optimum`
searches it, also the restricted one, which has the spreads for few sites.
"""
