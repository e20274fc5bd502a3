"""Regression without random intercepts: quasi-binomial, cluster-robust, exchangeable, beta-binomial, Firth's.

Each module takes arrays or a design and returns a frozen result; `fit.py` above makes the common result of them.
`separation` finds coefficients without an end before any of them is asked.
"""
