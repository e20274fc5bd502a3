"""Likelihoods of what was seen: tank records with interval-censored events, and constant-temperature data.

Door: ``tank_records``, ``fit_development`` and ``fit_tank_forms`` (fitting), ``DevelopmentFit`` (fit_result),
and ``crossed_means`` (crossed), means of interval-known values with crossed groups and heavy tails.
"""
