"""Regression without random intercepts.

`binomial`: binomial, quasi-binomial and beta-binomial, which coefficients have no end, and Firth's penalised
answer to them; `clusters`: cluster-robust and exchangeable. Each takes a design and returns a `SurvivalFit`, to
which `fit.py` above gives the name of the method.
"""
