"""The binomial mixed model with crossed random intercepts.

Others call `fit.fit_mixed`. `system` solves the penalised equations, `laplace` and `quadrature` are the
likelihood, `optimum` searches it, `restricted` has the spreads and degrees of freedom for few sites.
"""
