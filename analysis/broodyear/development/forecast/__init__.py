"""Dates still to come: forecasts for tanks under way, plans for a delivery, and the numbers of their figures.

Door: ``forecast_stages`` (forecasting), ``plan_dates`` (planning), ``curve_data`` and ``fan_data`` (figure_data).
"""
