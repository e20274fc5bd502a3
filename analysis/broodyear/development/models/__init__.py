"""Curves of days to a stage: forms, published constants, models of one's own, and summing daily rates.

Door: ``curve`` and ``Curve`` (forms), ``published_models`` and ``as_curve`` (published), ``DevelopmentModel`` and
``read_models`` (own_models), ``days_to_stage`` and ``forecast_day`` (summing). It knows nothing of tanks.
"""
