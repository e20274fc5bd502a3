"""A survival fit to look at: as text, as HTML for a notebook, as axes."""

from __future__ import annotations

from html import escape

from broodyear.survival.fitted import Fitted

_SHOWN = ("estimate", "std_error", "ci_low", "ci_high", "p_value")


def summary_text(fit: Fitted) -> str:
    """The fit in a few lines: what was fitted to how many rows, the effects (log-odds), spreads and notes."""
    effects = fit.effects[list(_SHOWN)].to_string(float_format=lambda value: f"{value:.4g}")
    return "\n".join([*_lines(fit), "", effects, *_notes(fit)])


def summary_html(fit: Fitted) -> str:
    """The same for a notebook; whatever came from records is escaped."""
    table = fit.effects[list(_SHOWN)].to_html(float_format=lambda value: f"{value:.4g}", escape=True)
    lines = [*_lines(fit), *_notes(fit)]
    return "<div>" + "".join(f"<p>{escape(line)}</p>" for line in lines if line) + table + "</div>"


def _lines(fit: Fitted) -> list[str]:
    left_out = "; ".join(f"{reason}: {rows}" for reason, rows in fit.left_out.items())
    spreads = ", ".join(f"{name} {sd:.3g}" for name, sd in fit.group_sd.items())
    return [
        f"Survival of {fit.counts[0]} out of {fit.counts[1]} on {fit.formula}, by method {fit.method}",
        f"{fit.rows_given} rows given, {fit.rows_used} used" + (f"; left out: {left_out}" if left_out else ""),
        *([f"SD between levels, log-odds: {spreads}"] if spreads else []),
        f"dispersion {fit.dispersion:.3g}, log-likelihood {fit.log_likelihood:.6g}",
    ]


def _notes(fit: Fitted) -> list[str]:
    return ["", *fit.notes] if fit.notes else []
